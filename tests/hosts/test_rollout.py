"""The rollout in stages, on real hosts: a room whose first seat fails is left alone."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from seats import Seat, settings

from seatwright.rehearsal.playbooks import HEADLESS, Rendered

ENVIRONMENT = HEADLESS["seat_session_environment"]


def session_of(seat: str, environment: dict[str, str], directory: Path) -> list[str]:
    """Words that add an inventory in which one seat has a session of its own."""
    hosts = {seat: {"seat_session_environment": environment}}
    inventory = directory / "of-its-own.yml"
    inventory.write_text(json.dumps({"all": {"hosts": hosts}}))
    return ["-i", str(inventory)]


@pytest.mark.names("rr-01", "rr-02", "rr-15", "mr-1", "mr-2")
def test_a_room_whose_first_seat_fails_is_left_alone(demo: Rendered, tmp_path: Path) -> None:
    seats = {name: Seat(demo.fleet, name) for name in demo.fleet.names}
    demo.playbook("clients", *settings(1)).expect_success()
    assert {seat.marker() for seat in seats.values()} == {"1"}

    everywhere = tmp_path / "group_vars"
    everywhere.mkdir()
    good = {"seat_session_environment": {**ENVIRONMENT, "MARKER": "2"}}
    (everywhere / "clients.json").write_text(json.dumps(good))
    broken = {**ENVIRONMENT, "WLR_BACKENDS": "nonsense", "MARKER": "2"}
    words = session_of("rr-01", broken, tmp_path)
    run = demo.playbook("clients", *words, "-e", "seat_session_restart=now")

    assert run.code != 0
    assert "The other seats of Reading Room stay as they are in this run" in run.text
    assert run.recap["rr-01"].failed == 1
    markers = {name: seat.marker() for name, seat in seats.items()}
    assert markers == {"rr-01": "1", "rr-02": "1", "rr-15": "1", "mr-1": "2", "mr-2": "2"}
    assert all(seat.state()["session"] == "active" for seat in seats.values())
