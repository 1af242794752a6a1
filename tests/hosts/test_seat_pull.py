"""A seat that fetches what was rendered from a git server, and carries out what is signed."""

from __future__ import annotations

import json
import os
import shlex
import shutil
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from seats import Seat, becomes

from conftest import ROOT
from seatwright.ansible_runs import extra
from seatwright.commands.planned import plan_site
from seatwright.rehearsal.base import PULLING_SEAT, ensure
from seatwright.rehearsal.fleet import Fleet
from seatwright.rehearsal.playbooks import HEADLESS, Rendered
from seatwright.secrets.store import load
from seatwright.secrets.vault import Vault

PULL = "/usr/lib/seatwright/seat-pull"
STATE = "/var/lib/seatwright/pull.json"
ALL = "inventories/fennmoor/rendered/group_vars/all.yml"


@dataclass(frozen=True)
class Pulled:
    """The seat, the server, and the tree that is committed there."""

    seat: Seat
    server: Seat
    tree: Path
    site: Rendered

    def commit(self, words: str, signed_by: str | None = "/root/signer") -> str:
        """Commit the tree as it is, on the server; the commit's id."""
        packed = subprocess.run(
            ["tar", "-C", str(self.tree), "-cz", "."], capture_output=True, check=True
        ).stdout
        clear = "find /root/work -mindepth 1 -maxdepth 1 ! -name .git -exec rm -r {} +"
        unpack = f"mkdir -p /root/work && {clear} && tar -C /root/work -xz"
        argv = ["ssh", "-F", str(self.server.fleet.ssh_config), self.server.name, unpack]
        subprocess.run(argv, input=packed, check=True)
        sign = f"-c gpg.format=ssh -c user.signingkey={signed_by}" if signed_by else ""
        flag = "-S" if signed_by else "--no-gpg-sign"
        self.server.ask(
            f"cd /root/work && git init -q -b main . && git add -A && git {sign} "
            "-c user.name=Ops -c user.email=ops@fennmoor.example "
            f"commit -q --allow-empty {flag} -m '{words}' && "
            "git push -qf /srv/rooms.git HEAD:main"
        )
        return self.server.ask("git -C /root/work rev-parse HEAD")

    def pull(self) -> tuple[int, str]:
        """Let the seat look now."""
        done = self.seat.fleet.run(self.seat.name, PULL)
        return done.returncode, done.stdout + done.stderr

    def state(self) -> dict[str, str]:
        """What became of the last look."""
        found: dict[str, str] = json.loads(self.seat.ask(f"cat {STATE}"))
        return found

    def change(self, name: str, value: object) -> None:
        """Change a variable of the whole site in the tree."""
        path = self.tree / ALL
        lines = [one for one in path.read_text().splitlines() if not one.startswith(f"{name}:")]
        path.write_text("\n".join([*lines, f"{name}: {json.dumps(value)}", ""]))


@pytest.fixture
def pulled(tmp_path: Path) -> Iterator[Pulled]:
    """A seat that the site lets fetch, and a server with the site's tree."""
    tree = tmp_path / "tree"
    for name in ("roles", "inventories"):
        shutil.copytree(ROOT / name, tree / name, symlinks=True)
    shutil.copy(ROOT / "ansible.cfg", tree)
    with Fleet.start(["rr-01", "forge"], ensure(PULLING_SEAT), owner=os.getpid()) as fleet:
        server = Seat(fleet, "forge")
        server.ask("ssh-keygen -q -t ed25519 -N '' -C ops -f /root/signer")
        server.ask("ssh-keygen -q -t ed25519 -N '' -C stranger -f /root/stranger")
        server.ask("git init -q --bare /srv/rooms.git")
        server.ask("git daemon --detach --export-all --base-path=/srv --listen=0.0.0.0 /srv")
        render_with_pull(tree, server.ask("cat /root/signer.pub"))
        site = Rendered(fleet, tree, tree / "inventories/fennmoor/rendered")
        found = Pulled(Seat(fleet, "rr-01"), server, tree, site)
        found.change("seat_session_environment", HEADLESS["seat_session_environment"])
        site.first_access().expect_success()
        yield found


def render_with_pull(tree: Path, signer: str) -> None:
    """Switch it on in the description, and render that."""
    site = tree / "inventories/fennmoor/site.yml"
    switch = (
        "settings:\n"
        f"  pull: {{repository: 'git://forge/rooms.git', every: 30 min, signers: ['{signer}']}}\n"
    )
    site.write_text(site.read_text().replace("settings:\n", switch, 1))
    seatwright("render", site)


def seatwright(*words: str | Path) -> None:
    """The program, which has to do it."""
    environment = {**os.environ, "PYTHONPATH": str(ROOT / "generator")}
    argv = [sys.executable, "-m", "seatwright", *words]
    subprocess.run(argv, check=True, env=environment, capture_output=True)


def test_a_seat_carries_out_what_is_signed_and_nothing_else(pulled: Pulled) -> None:
    first = pulled.commit("As rendered")
    pulled.site.clients("--limit", "rr-01").expect_success()
    assert pulled.seat.active("seatwright-pull.timer")
    what_is_signed_is_carried_out(pulled, first)
    what_nobody_or_a_stranger_signed_is_not(pulled, first)
    a_commit_that_breaks_leaves_the_seat_as_it_is(pulled, first)
    the_next_good_commit_goes_on(pulled)
    a_run_that_was_cut_short_is_begun_anew(pulled)
    it_has_its_own_guests_credential_and_no_other(pulled)
    only_one_run_at_a_time(pulled)
    a_server_that_is_gone_is_said(pulled)
    it_can_be_switched_off(pulled)


def what_is_signed_is_carried_out(pulled: Pulled, first: str) -> None:
    code, said = pulled.pull()
    assert code == 0, said
    assert pulled.state() == {
        "format": 1, "result": "fine", "commit": first, "became": "fine", "good": first,
        "words": "",
    }  # fmt: skip
    assert pulled.site.clients("--limit", "rr-01").expect_success().recap["rr-01"].changed == 0
    assert "is known: fine" in pulled.pull()[1]


def what_nobody_or_a_stranger_signed_is_not(pulled: Pulled, good: str) -> None:
    before = pulled.seat.ask("sha256sum /etc/seatwright/session.json")
    pulled.change("seat_session_idle_after", 901)
    for signer in (None, "/root/stranger"):
        commit = pulled.commit("Not for you", signer)
        code, _ = pulled.pull()
        found = pulled.state()
        assert (code, found["result"], found["commit"]) == (1, "unsigned", commit)
        assert found["good"] == good
        assert pulled.seat.ask("sha256sum /etc/seatwright/session.json") == before


def a_commit_that_breaks_leaves_the_seat_as_it_is(pulled: Pulled, good: str) -> None:
    before = pulled.seat.ask("sha256sum /etc/seatwright/session.json")
    session = pulled.seat.session()
    pulled.change("seat_session_idle_after", 0)
    commit = pulled.commit("A deliberate fault")
    code, _ = pulled.pull()
    found = pulled.state()
    assert (code, found["result"], found["commit"]) == (1, "failed", commit)
    assert found["good"] == good and "idle_after" in found["words"]
    assert pulled.seat.ask("sha256sum /etc/seatwright/session.json") == before
    assert pulled.seat.session() == session
    assert "is known: failed" in pulled.pull()[1]
    a_server_that_is_gone_is_said(pulled)
    assert "is known: failed" in pulled.pull()[1], "not tried again, whatever the network did"
    assert (pulled.state()["result"], pulled.state()["commit"]) == ("failed", commit)


def the_next_good_commit_goes_on(pulled: Pulled) -> None:
    pulled.change("seat_session_idle_after", 900)
    commit = pulled.commit("Mended")
    code, said = pulled.pull()
    assert code == 0, said
    assert pulled.state()["good"] == commit
    told = json.loads(pulled.seat.ask("cat /etc/seatwright/session.json"))
    assert told["idle_after"] == 900
    assert becomes(lambda: pulled.seat.active("seatwright-session.service"), 60)


def a_run_that_was_cut_short_is_begun_anew(pulled: Pulled) -> None:
    """As a pulled plug leaves it: git's locks, and files that are empty."""
    pulled.change("seat_session_idle_after", 902)
    commit = pulled.commit("Cut short")
    work = "/var/lib/seatwright/pull"
    pulled.seat.ask(f"systemd-run --quiet --unit=cut {PULL}")
    assert becomes(lambda: pulled.seat.ask(f"cat {work}/tree/.git/HEAD") == commit, 60)
    pulled.seat.ask("systemctl kill --signal=KILL cut")
    assert pulled.state()["commit"] != commit
    pulled.seat.ask(
        f"touch {work}/tree/.git/index.lock {work}/store/packed-refs.lock && "
        f"for file in $(find {work}/store/objects {work}/store/refs -type f); do : >$file; done"
    )
    code, said = pulled.pull()
    assert code == 0, said
    assert pulled.state() == {
        "format": 1, "result": "fine", "commit": commit, "became": "fine", "good": commit,
        "words": "",
    }  # fmt: skip
    told = json.loads(pulled.seat.ask("cat /etc/seatwright/session.json"))
    assert told["idle_after"] == 902
    a_store_that_is_damaged_is_fetched_anew(pulled)


def a_store_that_is_damaged_is_fetched_anew(pulled: Pulled) -> None:
    """As a card that wears out leaves it, with no run cut short."""
    pulled.change("seat_session_idle_after", 904)
    commit = pulled.commit("Worn out")
    store = "/var/lib/seatwright/pull/store"
    pulled.seat.ask(f"for file in $(find {store}/objects {store}/refs -type f); do : >$file; done")
    code, said = pulled.pull()
    assert code == 0, said
    assert pulled.state()["good"] == commit


def it_has_its_own_guests_credential_and_no_other(pulled: Pulled) -> None:
    """clients.yml brings it, once the seat is enrolled; what the seat fetches has every guest's,
    closed, and leaves it its own."""
    site = pulled.tree / "inventories/fennmoor"
    vault = pulled.tree.parent / "vault"
    vault.write_text("a password of the test\n")
    seatwright("secrets", site, "--vault-password-file", vault)
    passwords = load(site / "secrets", Vault(vault)).passwords
    guest = plan_site(site).planned.plan.seats["rr-01"].guest
    closed = ("-i", str(site / "secrets/inventory"), "--vault-password-file", str(vault))
    pulled.site.clients("--limit", "rr-01", *closed).expect_success()
    without = pulled.site.clients("--limit", "rr-01")
    assert without.recap["rr-01"].failed == 1 and "was not given it" in without.text
    assert without.recap["rr-01"].changed == 0
    credential = "/etc/credstore/guest-password"
    assert pulled.seat.ask(f"cat {credential}") == passwords[guest].password
    pulled.change("seat_session_idle_after", 903)
    commit = pulled.commit("With what is secret, closed")
    code, said = pulled.pull()
    assert code == 0, said
    assert pulled.state()["good"] == commit
    assert pulled.seat.has("/var/lib/seatwright/pull/tree/inventories/fennmoor/secrets")
    assert pulled.seat.ask(f"cat {credential}") == passwords[guest].password
    others = [one.password for name, one in passwords.items() if name != guest]
    assert len(others) > 3
    places = "/etc /home /opt /root /run /srv /tmp /var /usr/lib/seatwright"
    words = " ".join(f"-e {shlex.quote(one)}" for one in others)
    assert pulled.seat.ask(f"grep -rlsF {words} {places} || true") == ""
    own = shlex.quote(passwords[guest].password)
    found = pulled.seat.ask(f"grep -rlsF -e {own} {places}").splitlines()
    handed = "/run/credentials/seatwright-session.service/guest-password"
    assert {*found} - {handed} == {credential}
    journal = pulled.seat.ask("journalctl --quiet --no-pager --output=cat --all")
    assert "files=NOT_LOGGING_PARAMETER" in journal, "Ansible tells it what it was asked for"
    assert passwords[guest].password not in journal


def only_one_run_at_a_time(pulled: Pulled) -> None:
    lock = "/var/lib/seatwright/pull/lock"
    said = pulled.seat.ask(f"flock {lock} {PULL}")
    assert said == "another run is at it"


def a_server_that_is_gone_is_said(pulled: Pulled) -> None:
    pulled.server.ask("mv /srv/rooms.git /srv/elsewhere.git")
    code, _ = pulled.pull()
    assert (code, pulled.state()["result"]) == (1, "unreachable")
    pulled.server.ask("mv /srv/elsewhere.git /srv/rooms.git")


def it_can_be_switched_off(pulled: Pulled) -> None:
    given = extra({"seat_base_pull": {}, "seat_session_forget_secrets": True})
    pulled.site.clients("--limit", "rr-01", *given).expect_success()
    assert not pulled.seat.has("/etc/credstore/guest-password")
    assert not pulled.seat.active("seatwright-pull.timer")
    assert not pulled.seat.has("/etc/systemd/system/seatwright-pull.timer")
