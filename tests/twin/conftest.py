"""One pair of twins for all tests here: booting them is what costs. Each test leaves it calm."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from bench_site import SEAT, bench_plan
from twin_bench import RULES, Bench

from seatwright.client.config import read_rules
from seatwright.twin.pair import Twin
from seatwright.twin.peer import Player

HERE = Path(__file__).parent


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    for item in items:
        if HERE in item.path.parents:
            item.add_marker(pytest.mark.hosts)


@pytest.fixture(scope="session")
def booted(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    """Up, with a drive plugged in since before the session began."""
    plan = bench_plan(tmp_path_factory.mktemp("site"))
    with Twin.boot(plan, SEAT) as twin:
        client = twin.client
        client.sockets.plug("1-1", "drive")
        rules = tmp_path_factory.mktemp("rules") / "rules.json"
        rules.write_text(client.shell(f"cat {RULES}"))
        player = Player(client.emulator.qmp, client.sockets, client.directory)
        yield Bench(twin, player, read_rules(rules))


@pytest.fixture
def bench(booted: Bench) -> Iterator[Bench]:
    """The twins, calm before the test and after it."""
    if any(booted.twin.client.sockets.plugged()):  # from before the session: this test runs alone
        booted.twin.client.wait_state("shown", 180)
        booted.calm()
    yield booted
    booted.calm()
