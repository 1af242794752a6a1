"""A room rehearsed: what an operator runs before the room itself is touched."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from click.testing import CliRunner

from conftest import ROOT
from seatwright.commands.planned import plan_site
from seatwright.commands.rehearse import command, report
from seatwright.image.rehearse import Stage, rehearse
from seatwright.rehearsal.base import cache_directory

SITE = ROOT / "inventories/fennmoor"
SEATS = ("fd-1", "fd-2", "fd-3")


def quiet(text: str) -> None:
    """Nobody reads."""


@pytest.mark.long
def test_the_front_desk_is_rehearsed_from_first_boot_to_removal() -> None:
    stage = Stage(plan_site(SITE).planned.plan, ROOT, SITE, cache_directory())
    found = rehearse(stage, "front-desk", os.getpid(), quiet)
    said = "\n".join(report(found))
    assert found.went_well, said
    assert found.seats == SEATS
    named, checked, first, second, looked, _, gone = found.steps
    assert set(named.seats.values()) == {"named, session up"}
    # The image has everything already: that is what it is for.
    for step in (checked, first, second):
        assert step.seats == dict.fromkeys(SEATS, "0 changed"), (step.title, step.seats)
    assert looked.seats == dict.fromkeys(SEATS, "session up")
    assert gone.seats == dict.fromkeys(SEATS, "0 changed")
    assert "All went well." in said


@pytest.mark.parametrize("room", ["front-desks", "nowhere"])
def test_a_room_that_is_not_there_is_refused(room: str, tmp_path: Path) -> None:
    result = CliRunner().invoke(command, [room, str(SITE)])
    assert result.exit_code != 0
    assert "The site has no room" in f"{result.output}{result.exception}"
    assert list(tmp_path.iterdir()) == []
