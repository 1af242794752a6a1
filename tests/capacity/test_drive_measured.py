"""The numbers for drives against a real guest: Debian's storage driver in QEMU, QEMU's usbredir.

The time of a command is what the formulas say of the wire and the round trips, and what the
emulator needs by itself, which is measured beside it on a link that holds nothing up.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from drive_guest import BARE, RECIPE, THROUGH_SPICE, DriveGuest, Figure, drive_guest, predicted
from spice_drive import spice_drive_guest

from seatwright.capacity.wire import Wire
from seatwright.rehearsal.base import ensure

WITHIN = 0.2
SHAPES = ((10e6, 0.002), (20e6, 0.010), (30e6, 0.010), (50e6, 0.030))
"""Bits per second and seconds: from mostly the rate to mostly the round trip."""

pytestmark = pytest.mark.hosts


@pytest.fixture(scope="module")
def root() -> Path:
    assert os.geteuid() == 0, "network namespaces need root"
    return ensure(RECIPE)[0]


@pytest.fixture(scope="module")
def guest(root: Path) -> Iterator[DriveGuest]:
    with drive_guest(root) as guest:
        yield guest


@pytest.mark.parametrize("what", ["read", "write"])
@pytest.mark.parametrize(("rate", "round_trip"), SHAPES)
def test_a_drive_is_as_fast_as_computed(
    guest: DriveGuest, what: str, rate: float, round_trip: float
) -> None:
    as_computed(guest, what, rate, round_trip)


def test_a_drive_at_a_real_seat_is_as_fast_as_computed(root: Path) -> None:
    """Through SPICE with TLS, by the session that seats run; the USB device is played."""
    with spice_drive_guest(root) as guest:
        for rate, round_trip in ((10e6, 0.002), (20e6, 0.010), (20e6, 0.030)):
            for what in ("read", "write"):
                as_computed(guest, what, rate, round_trip, THROUGH_SPICE)


def as_computed(
    guest: DriveGuest, what: str, rate: float, round_trip: float, wire: Wire = BARE
) -> None:
    """What a command takes beyond the emulator's own time is what the formulas say of it."""
    own = guest.own(what).seconds
    figure = guest.measure(what, rate, round_trip)
    wanted = predicted(rate, round_trip, wire)
    print(
        f"{what}: {figure.seconds:.4f} s, {own:.4f} of them the emulator's, {wanted:.4f} computed"
    )
    assert own < wanted, "the emulator is the bottleneck, not the link"
    assert figure.seconds == pytest.approx(wanted + own, abs=WITHIN * wanted)


def test_the_link_is_shaped_as_it_says(guest: DriveGuest) -> None:
    """Ten times the rate is not ten times as fast where the round trip is long."""
    slow, fast = (guest.measure("read", rate, 0.03) for rate in (10e6, 100e6))
    assert isinstance(fast, Figure)
    assert 1.5 < slow.seconds / fast.seconds < 3
