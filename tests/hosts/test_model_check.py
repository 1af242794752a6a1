"""Seats of a rollout of which one is not like its model; devices are played, all else is real."""

from __future__ import annotations

import subprocess
from dataclasses import replace
from pathlib import Path

import pytest
from seats import Seat

from played import RIDGE, Client, Usb, hub, lay_out
from seatwright.rehearsal.playbooks import Rendered, extra

SYS = "/srv/client/sys"
UNIT = "seatwright-model.service"
PASSED = "/run/seatwright-model/passed"
FOUND = "find / -xdev -name '*seatwright*' -not -path '/proc/*' -not -path '/etc/sudoers.d/*'"

AS_DESCRIBED = replace(RIDGE, usb=(*RIDGE.usb, hub("usb3", 4, id="1d6b:0003", speed="5000")))
ANOTHER = replace(
    AS_DESCRIBED,
    usb=(
        *(one for one in AS_DESCRIBED.usb if one.name != "2-3.4.2"),
        Usb("2-3.4.2", "1209:0009", RIDGE.usb[-1].interfaces, "02"),
    ),
)


def play(seat: Seat, client: Client, place: Path) -> None:
    """The devices of a client in a directory of a host."""
    lay_out(client, place)
    packed = subprocess.run(["tar", "-C", place, "-c", "."], capture_output=True, check=True).stdout
    over = "rm -rf /srv/client && mkdir /srv/client && tar -C /srv/client -x"
    argv = ["ssh", "-F", str(seat.fleet.ssh_config), seat.name, over]
    subprocess.run(argv, input=packed, check=True)


@pytest.mark.names("rr-01", "rr-02")
def test_an_unlike_seat_is_stopped_alone(demo: Rendered, tmp_path: Path) -> None:
    first, second = Seat(demo.fleet, "rr-01"), Seat(demo.fleet, "rr-02")
    play(first, ANOTHER, tmp_path / "1")
    play(second, AS_DESCRIBED, tmp_path / "2")
    run = demo.clients(*extra({"seat_base_sys": SYS}))
    assert run.code != 0, run.text
    it_is_left_alone(first)
    assert run.recap["rr-01"].failed == 1 and run.recap["rr-01"].changed == 0
    assert "This seat is not like its model ridge, so nothing was changed:" in run.text
    assert "this client has 1209:0009." in run.text and "off the network" in run.text
    assert run.recap["rr-02"].failed == 0 and second.active("seatwright-session.service")
    assert second.has(PASSED) and second.has("/var/lib/seatwright/model-checked")
    again = demo.clients(*extra({"seat_base_sys": SYS}))
    assert again.recap["rr-02"].changed == 0 and again.recap["rr-01"].failed == 1
    the_first_boot_of_a_moved_card_says_why(second, tmp_path / "3")


def it_is_left_alone(seat: Seat) -> None:
    assert seat.ask(FOUND) == "" and seat.ask("getent passwd seat || echo none") == "none"


def the_first_boot_of_a_moved_card_says_why(seat: Seat, place: Path) -> None:
    """The card of a seat, put into a client of another kind."""
    play(seat, replace(ANOTHER, machine="Another"), place)
    seat.ask("systemctl restart seatwright-session.service")
    assert not seat.active("seatwright-session.service") and not seat.has(PASSED)
    said = seat.ask(f"journalctl -b -o cat -u {UNIT}")
    assert "The session does not start: this machine is not like its model ridge." in said
    assert "No rule by id protects 1209:0009" in said
    assert seat.ask("systemctl show -P ActiveState seatwright-fallback.service") == "inactive"
    assert seat.ask("systemctl show -P ConditionResult seatwright-session.service") == "no"
