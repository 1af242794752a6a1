"""A render killed at any moment: each place is the old or the new one; the next render heals it."""

from __future__ import annotations

import os
import random
import signal
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from test_render_write import bring, everywhere, leftovers, versions, wanted

from render_sites import TINY, make_repository, seatwright
from seatwright.render.swap import JOURNAL
from seatwright.render.write import locked, recover

KILLS = 100
CAUGHT_HALF_WAY = 5
"""So many kills at least have to fall between the first swap and the last."""


@pytest.fixture
def memory() -> Iterator[Path]:
    """A folder in memory: hundreds of kills, and no disk to wait for."""
    with tempfile.TemporaryDirectory(dir="/dev/shm") as folder:
        yield Path(folder)


def fork_and_kill(work: Callable[[], object], after: float) -> bool:
    """Do ``work`` in a child that is killed after so many seconds; whether it was killed."""
    child = os.fork()
    if child == 0:
        try:
            work()
        finally:
            os._exit(0)
    time.sleep(after)
    os.kill(child, signal.SIGKILL)
    _, status = os.waitpid(child, 0)
    return os.WIFSIGNALED(status)


def one_kill(root: Path, old: str, new: str, after: float) -> tuple[bool, bool]:
    """Kill a render from ``old`` to ``new``, look, heal; whether killed, and with a journal."""
    killed = fork_and_kill(lambda: bring(root, wanted(new, 10)), after)
    said = versions(root)
    assert set(said.values()) <= {old, new}
    begun = (root / JOURNAL).exists()
    assert begun or len(set(said.values())) == 1
    with locked(root):
        recover(root)
    healed = versions(root)
    assert len(set(healed.values())) == 1
    assert not begun or healed == everywhere(new)
    bring(root, wanted(new, 10))
    assert versions(root) == everywhere(new)
    assert not leftovers(root)
    return killed, begun


def test_killed_at_any_moment(memory: Path) -> None:
    (memory / "inventories/lock").mkdir(parents=True)
    bring(memory, wanted("0", 10))
    started = time.monotonic()
    bring(memory, wanted("1", 10))
    duration = time.monotonic() - started
    chance = random.Random(20250301)
    kills = half_way = number = 0
    while (kills < KILLS or half_way < CAUGHT_HALF_WAY) and number < 10 * KILLS:
        after = chance.uniform(0, 1.5 * duration)
        killed, begun = one_kill(memory, str(number + 1), str(number + 2), after)
        kills, half_way, number = kills + killed, half_way + begun, number + 1
    assert kills >= KILLS and half_way >= CAUGHT_HALF_WAY, (kills, half_way, number)


def test_the_next_command_finishes_what_was_begun(memory: Path) -> None:
    """The whole command line, killed while it writes; then a plain ``render --check``."""
    site = make_repository(memory)
    assert seatwright("render", site).returncode == 0
    for number in range(10):
        site.write_text(TINY.replace("The Hall", f"Hall {number}"))
        fork_and_kill(lambda: seatwright("render", site), 0.05 + 0.03 * number)
        (hall,) = (memory / "inventories/lock/rendered/group_vars").glob("room_hall.yml")
        assert "Hall" in hall.read_text()
        done = seatwright("render", "--check", site)
        assert done.returncode in (0, 1), done.stderr
        assert not (memory / JOURNAL).exists()
        assert seatwright("render", site).returncode == 0
        assert not leftovers(memory)
