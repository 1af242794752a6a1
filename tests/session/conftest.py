"""Fixtures of live seats: one screen for all, a guest and a session for each test."""

from __future__ import annotations

import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from live import Guest, Seat, end, make_certificates

EVERYTHING_KEPT = "-1,-1,-1,-1,0"
RULES: dict[str, object] = {
    "format": 1,
    "redirect": f"0x08,-1,-1,-1,1|{EVERYTHING_KEPT}",
    "permitted": f"0x08,-1,-1,-1,1|0x06,-1,-1,-1,1|{EVERYTHING_KEPT}",
    "onboard": [{"port": "2-3.4.2", "id": "1209:0002", "carries": "network"}],
    "sockets": [],
    "names": {"1209:0006": "Backup drive", "1209:0007": "Copy stand camera"},
}


@pytest.fixture(scope="session")
def certificates(tmp_path_factory: pytest.TempPathFactory) -> Path:
    directory = tmp_path_factory.mktemp("tls") / "x509"
    make_certificates(directory)
    return directory


@pytest.fixture(scope="session")
def display(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """A screen in memory; the server itself chooses a free number."""
    log = (tmp_path_factory.mktemp("screen") / "log").open("wb")
    server = subprocess.Popen(
        ["Xvfb", "-displayfd", "1", "-screen", "0", "1280x720x24", "-nolisten", "tcp"],
        stdout=subprocess.PIPE,
        stderr=log,
    )
    assert server.stdout is not None
    yield f":{int(server.stdout.readline())}"
    end(server)
    log.close()


@pytest.fixture
def make_guest(tmp_path: Path, certificates: Path) -> Iterator[Callable[..., Guest]]:
    made: list[Guest] = []

    def make(**options: object) -> Guest:
        made.append(Guest(tmp_path, certificates, **options))  # type: ignore[arg-type]
        return made[-1]

    yield make
    for guest in made:
        guest.stop()


@pytest.fixture
def make_seat(tmp_path: Path, display: str) -> Iterator[Callable[..., Seat]]:
    made: list[Seat] = []

    def make(guest: Guest, **options: object) -> Seat:
        rules = {**RULES, **options.pop("rules", {})}  # type: ignore[dict-item]
        made.append(Seat(tmp_path, display, guest, rules, **options))  # type: ignore[arg-type]
        return made[-1]

    yield make
    for seat in made:
        seat.stop()
