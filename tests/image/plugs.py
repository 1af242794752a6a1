"""Pulled plugs: moments by chance, and what a seat has to be after each of them."""

from __future__ import annotations

import random
import time
from collections.abc import Iterator

from machine import Machine

UP = "systemctl is-active seatwright-session.service"
STARTED = 420.0
"""Seconds that a machine without hardware help may take until its session is up."""


def moments(number: int, first: float, last: float) -> Iterator[float]:
    """Seconds at which to pull; the seed is printed, to have the same again."""
    seed = random.randrange(10**6)
    print(f"moments of seed {seed}, {first:.0f} to {last:.0f} s", flush=True)
    chance = random.Random(seed)
    for one in range(number):
        moment = chance.uniform(first, last)
        print(f"{one + 1}: {moment:.1f} s", flush=True)
        yield moment


def pull_at_random_moments(machine: Machine, times: int) -> None:
    """One first boot after the other cut short, within what one takes here."""
    for moment in moments(times, 15, 75):
        machine.start()
        time.sleep(moment)
        machine.pull_the_plug()


def comes_up(machine: Machine) -> float:
    """Start it, and wait for its session; seconds that it took."""
    began = time.monotonic()
    machine.start()
    machine.becomes(UP, "active", STARTED)
    return time.monotonic() - began


KEY = "ssh-keygen -lf /etc/ssh/ssh_host_ed25519_key.pub"


def identity(machine: Machine) -> tuple[str, ...]:
    """What must be the same for ever, whatever happens to the power."""
    return (machine.ask("cat /etc/machine-id"), machine.ask(KEY), machine.ask("hostname"))
