"""The plug is pulled at any moment of a first boot and of an update: the seat always comes back.

A machine that is killed leaves its card as it is at that moment. So one run is stopped at one
moment after the other, and of the card as it is then a copy is put into another machine.
"""

from __future__ import annotations

import subprocess
import time
from collections.abc import Iterator
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

TIMES = 20


@pytest.fixture
def other(machine: Machine, tmp_path: Path) -> Iterator[Machine]:
    """A second machine, without a card yet."""
    scratch = tmp_path / "other"
    scratch.mkdir()
    made = Machine(scratch / "card", scratch, machine.key)
    yield made
    made.pull_the_plug()


def test_a_first_boot_comes_back_from_each_of_twenty_moments(
    machine: Machine, other: Machine
) -> None:
    """The moments are anywhere in what a whole first boot takes."""
    copy(machine.disk, other.disk)
    whole = comes_up(other)
    other.pull_the_plug()
    machine.start()
    ran = 0.0
    for moment in sorted(moments(TIMES, 1, whole)):
        time.sleep(moment - ran)
        ran = moment
        with machine.frozen():
            copy(machine.disk, other.disk)
        machine.hold()
        took = comes_up(other)
        print(f"pulled at {moment:.0f} s, back after {took:.0f} s", flush=True)
        it_is_the_seat_with_all_of_its_card(other)
        other.pull_the_plug()
        machine.go_on()


def test_a_first_boot_that_is_cut_short_twenty_times_ends_as_the_seat(machine: Machine) -> None:
    """One card, one moment after the other: what one left behind is what the next finds."""
    for moment in moments(TIMES, 5, 60):
        machine.start()
        time.sleep(moment)
        machine.pull_the_plug()
    comes_up(machine)
    it_is_the_seat_with_all_of_its_card(machine)


def test_an_update_comes_back_from_each_of_twenty_moments(
    machine: Machine, other: Machine, workshop: Path, tmp_path: Path
) -> None:
    """Each is as it was, and every fifth is brought to its end by the next run."""
    comes_up(machine)
    known = identity(machine)
    began = time.monotonic()
    changed = clients(machine, workshop, *another(1)).expect_success()
    whole = time.monotonic() - began
    assert changed.recap["fd-1"].changed > 0
    pulled = []
    with ThreadPoolExecutor(1) as beside:
        run = beside.submit(clients, machine, workshop, *another(2))
        began = time.monotonic()
        for number, moment in enumerate(sorted(moments(TIMES, 1, whole))):
            time.sleep(max(0.0, began + moment - time.monotonic()))
            card = tmp_path / f"pulled-{number}"
            with machine.frozen():
                copy(machine.disk, card)
            pulled.append((moment, card))
        run.result().expect_success()
    machine.pull_the_plug()
    for number, (moment, card) in enumerate(pulled, start=1):
        card.rename(other.disk)
        took = comes_up(other)
        print(f"pulled at {moment:.0f} s, back after {took:.0f} s", flush=True)
        assert identity(other) == known
        assert other.ask("systemctl --failed --no-legend --plain") == ""
        if number % 5 == 0:
            clients(other, workshop).expect_success()
            clients_yml_changes_nothing(other, workshop)
        other.pull_the_plug()


def another(number: int) -> list[str]:
    """A change for the session's files, another each time; the site's own is 600."""
    return extra({"seat_session_idle_after": 600 + number})


def copy(source: Path, target: Path) -> None:
    """A card copied, holes and all."""
    subprocess.run(["cp", "--sparse=always", source, target], check=True)
