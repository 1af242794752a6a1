"""Tests here boot real systemd hosts: root only, and one at a time (scripts/run-tests)."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from seatwright.rehearsal.base import SEAT, STOCKED_SEAT, Layers, ensure
from seatwright.rehearsal.fleet import Fleet
from seatwright.rehearsal.playbooks import Rendered

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
DEMO = ROOT / "inventories/fennmoor/rendered"


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    for item in items:
        if HERE in item.path.parents:
            item.add_marker(pytest.mark.hosts)


@pytest.fixture(scope="session")
def seat_root() -> Layers:
    """The root of a seat before its first run, made now where the cache has none."""
    return ensure(SEAT)


@pytest.fixture
def fleet(request: pytest.FixtureRequest, seat_root: Layers) -> Iterator[Fleet]:
    """Hosts with the names given by ``@pytest.mark.names(...)``; gone after the test."""
    marker = request.node.get_closest_marker("names")
    with Fleet.start(marker.args, seat_root, owner=os.getpid()) as started:
        yield started


@pytest.fixture
def demo(request: pytest.FixtureRequest) -> Iterator[Rendered]:
    """The demo site, and hosts for the seats given by ``@pytest.mark.names(...)``.

    All packages are there, and first access was given.
    """
    marker = request.node.get_closest_marker("names")
    with Fleet.start(marker.args, ensure(STOCKED_SEAT), owner=os.getpid()) as started:
        site = Rendered(started, ROOT, DEMO)
        site.first_access().expect_success()
        yield site
