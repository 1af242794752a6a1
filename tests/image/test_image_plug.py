"""The plug is pulled at any moment of a first boot and of an update: the seat always comes back."""

from __future__ import annotations

import subprocess
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from machine import Machine
from plugs import comes_up, identity, moments
from test_image_boot import (
    clients,
    clients_yml_changes_nothing,
    it_is_the_seat_with_all_of_its_card,
)

from seatwright.ansible_runs import extra

pytestmark = pytest.mark.long


def test_a_first_boot_comes_back_from_each_of_twenty_moments(machine: Machine) -> None:
    """Each time with a new card, and the moment anywhere in what a whole first boot takes."""
    new = machine.scratch / "new"
    copy(machine.disk, new)
    whole = comes_up(machine)
    for moment in moments(20, 1, whole):
        machine.pull_the_plug()
        copy(new, machine.disk)
        machine.start()
        time.sleep(moment)
        machine.pull_the_plug()
        took = comes_up(machine)
        print(f"   back after {took:.0f} s", flush=True)
        it_is_the_seat_with_all_of_its_card(machine)
    new.unlink()


def test_a_first_boot_that_is_cut_short_twenty_times_ends_as_the_seat(machine: Machine) -> None:
    """One card, one moment after the other: what one left behind is what the next finds."""
    for moment in moments(20, 5, 60):
        machine.start()
        time.sleep(moment)
        machine.pull_the_plug()
    comes_up(machine)
    it_is_the_seat_with_all_of_its_card(machine)


def test_an_update_comes_back_from_each_of_twenty_moments(machine: Machine, workshop: Path) -> None:
    comes_up(machine)
    known = identity(machine)
    began = time.monotonic()
    changed = clients(machine, workshop, *another(0)).expect_success()
    whole = time.monotonic() - began
    assert changed.recap["fd-1"].changed > 0
    for number, moment in enumerate(moments(20, 1, whole), start=1):
        with ThreadPoolExecutor(1) as beside:
            run = beside.submit(clients, machine, workshop, *another(number))
            time.sleep(moment)
            machine.pull_the_plug()
            run.result()
        took = comes_up(machine)
        print(f"   back after {took:.0f} s", flush=True)
        assert identity(machine) == known
        assert machine.ask("systemctl --failed --no-legend --plain") == ""
    clients(machine, workshop).expect_success()
    clients_yml_changes_nothing(machine, workshop)


def another(number: int) -> list[str]:
    """A change for the session's files, another each time; the site's own is 600."""
    return extra({"seat_session_idle_after": 601 + number})


def copy(source: Path, target: Path) -> None:
    """A card copied, holes and all."""
    subprocess.run(["cp", "--sparse=always", source, target], check=True)
