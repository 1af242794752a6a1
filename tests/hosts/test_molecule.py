"""The molecule scenarios, on real systemd hosts: see tests/molecule/<scenario>/molecule.yml."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest
import yaml

from seatwright.ansible_runs import RECAP
from seatwright.rehearsal.base import Layers

TESTS = Path(__file__).parents[1]
SCENARIO = TESTS / "molecule/room/molecule.yml"


def hosts_of(scenario: Path) -> list[str]:
    return [platform["name"] for platform in yaml.safe_load(scenario.read_text())["platforms"]]


def run_molecule(scenario: str, work: Path) -> str:
    """Run a scenario's whole test sequence and return what it printed."""
    programs = Path(sys.executable).parent
    done = subprocess.run(
        [programs / "molecule", "test", "--scenario-name", scenario],
        cwd=TESTS,
        env={
            **os.environ,
            "PATH": f"{programs}:{os.environ['PATH']}",
            "NO_COLOR": "1",
            "ANSIBLE_NOCOLOR": "1",
            "MOLECULE_EPHEMERAL_DIRECTORY": str(work / "molecule"),
            "SEATWRIGHT_MOLECULE": str(work / "state"),
            "SEATWRIGHT_OWNER": str(os.getpid()),
        },
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )
    assert done.returncode == 0, done.stdout
    return done.stdout


def changed_by_step(text: str, step: str) -> list[dict[str, int]]:
    """For each time a step ran: by host, how many tasks changed it."""
    parts = [part for part in text.split("INFO     ") if part.startswith(f"[room > {step}]")]
    recaps = [{name: int(changed) for name, _, changed, *_ in RECAP.findall(p)} for p in parts]
    return [recap for recap in recaps if recap]


def test_a_room_of_three_seats_of_two_models(
    seat_root: Layers, capsys: pytest.CaptureFixture[str]
) -> None:
    hosts = hosts_of(SCENARIO)
    with capsys.disabled():
        print(f"\nmolecule scenario room, systemd hosts: {', '.join(hosts)}")
    with tempfile.TemporaryDirectory(prefix="seatwright-") as work:
        text = run_molecule("room", Path(work))
    before, after = changed_by_step(text, "check")
    assert set(before) == set(after) == set(hosts)
    assert all(before.values()), "check mode on a fresh seat has to say what would change"
    assert not any(after.values()), "check mode on a seat as it should be has nothing to say"
