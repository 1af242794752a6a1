"""A room rehearsed: what an operator runs before the room itself is touched."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from conftest import ROOT
from seatwright.commands.planned import plan_site
from seatwright.commands.rehearse import command, report
from seatwright.image.errors import ImageError
from seatwright.image.rehearse import Stage, rehearse
from seatwright.rehearsal.base import cache_directory

SITE = "inventories/fennmoor"
SEATS = ("fd-1", "fd-2", "fd-3")


def quiet(text: str) -> None:
    """Nobody reads."""


@pytest.fixture
def repository(tmp_path: Path) -> Path:
    """The demo's repository with another model at the middle one of the front desk's seats."""
    for name in ("roles", "inventories"):
        shutil.copytree(ROOT / name, tmp_path / name, symlinks=True)
    shutil.copy(ROOT / "ansible.cfg", tmp_path)
    for rooms in (tmp_path / SITE / "rooms").iterdir():
        text = rooms.read_text()
        rooms.write_text(text.replace("- fd-2\n", "- {name: fd-2, model: ridge}\n"))
    return tmp_path


def stage_of(repository: Path) -> Stage:
    site = repository / SITE
    return Stage(plan_site(site).planned.plan, repository, site, cache_directory())


@pytest.mark.long
def test_a_room_of_two_models_is_rehearsed_from_first_boot_to_removal(repository: Path) -> None:
    with pytest.raises(ImageError, match="is not what the site would be rendered to"):
        rehearse(stage_of(repository), "front-desk", os.getpid(), quiet)
    argv = [sys.executable, "-m", "seatwright", "render", repository / SITE]
    environment = {**os.environ, "PYTHONPATH": str(ROOT / "generator")}
    subprocess.run(argv, check=True, env=environment, capture_output=True)
    found = rehearse(stage_of(repository), "front-desk", os.getpid(), quiet)
    said = "\n".join(report(found))
    assert found.went_well, said
    assert found.seats == SEATS
    assert found.stand_ins == ("ridge",), "it has another processor"
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
    result = CliRunner().invoke(command, [room, str(ROOT / SITE)])
    assert result.exit_code != 0
    assert "The site has no room" in f"{result.output}{result.exception}"
    assert list(tmp_path.iterdir()) == []
