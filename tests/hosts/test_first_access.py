"""first-access.yml, as for a machine that was installed with a user, a password and sudo."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from seats import Seat

from seatwright.ansible_runs import extra
from seatwright.rehearsal.base import Layers
from seatwright.rehearsal.fleet import Fleet
from seatwright.rehearsal.playbooks import Rendered

ROOT = Path(__file__).parents[2]
PLACE = ROOT / "inventories/fennmoor/rendered"
PASSWORD = "not-a-secret-of-anybody"


@pytest.fixture
def site(seat_root: Layers) -> Iterator[Rendered]:
    with Fleet.start(["rr-01"], seat_root, owner=os.getpid()) as fleet:
        yield Rendered(fleet, ROOT, PLACE)


@pytest.mark.names("rr-01")
def test_a_user_with_a_password_lets_the_site_s_own_user_in(site: Rendered, tmp_path: Path) -> None:
    seat = Seat(site.fleet, "rr-01")
    seat.ask(f"useradd -m -G sudo installer && echo installer:{PASSWORD} | chpasswd")
    secret = tmp_path / "password"
    secret.write_text(PASSWORD)
    # The files say what "-k" and "-K" ask for.
    words = [
        *extra(
            {
                "seatwright_first_user": "installer",
                "seatwright_access_key": f"{site.fleet.state}/key.pub",
            }
        ),
        "--connection-password-file", str(secret),
        "--become-password-file", str(secret),
    ]  # fmt: skip
    first = site.playbook("first-access", *words).expect_success()
    assert first.recap["rr-01"].changed > 0
    assert PASSWORD not in first.text
    assert seat.ask("getent shadow ops").split(":")[1] in ("*", "!*"), "no password to guess"
    assert seat.ask("stat -c '%U %a' /home/ops/.ssh/authorized_keys") == "ops 600"
    again = site.playbook("first-access", *words).expect_success()
    assert again.recap["rr-01"].changed == 0


@pytest.mark.names("rr-01")
def test_a_wrong_password_changes_nothing(site: Rendered, tmp_path: Path) -> None:
    seat = Seat(site.fleet, "rr-01")
    seat.ask(f"useradd -m -G sudo installer && echo installer:{PASSWORD} | chpasswd")
    secret = tmp_path / "password"
    secret.write_text("wrong")
    refused = site.playbook(
        "first-access",
        *extra({"seatwright_first_user": "installer"}),
        "--connection-password-file", str(secret),
        "--become-password-file", str(secret),
    )  # fmt: skip
    assert refused.code != 0
    assert seat.ask("getent passwd ops || echo none") == "none"
