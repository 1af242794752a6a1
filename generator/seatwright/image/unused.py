"""What the cache of images keeps, and for how long: bases, layers, root file systems.

Whoever uses one opens its lock file, which is thereby as old as the last use.
"""

from __future__ import annotations

import fcntl
import shutil
from pathlib import Path

KINDS = ("bases", "layers", "filesystems")
KEPT = 60 * 86400.0
"""Seconds for which something stays after its last use, counted from the last use of any."""


def forget_unused(cache: Path) -> list[Path]:
    """Remove what nobody has used for long, and what a killed run has left unfinished.

    What somebody holds now stays. Returns what went.
    """
    places = [cache / "images" / kind for kind in KINDS]
    locks = [lock for place in places for lock in place.glob(".*.lock")]
    used = {lock: lock.stat().st_mtime for lock in locks}
    oldest = max(used.values(), default=0.0) - KEPT
    gone = [
        one
        for lock in locks
        if used[lock] < oldest
        for one in _forget(lock, lock.with_name(lock.name[1:].removesuffix(".lock")))
    ]
    for unfinished in (one for place in places for one in place.glob(".*.unfinished")):
        lock = unfinished.with_suffix(".lock")
        if lock.exists():
            gone += _forget(lock, unfinished)
    return gone


def _forget(lock: Path, place: Path) -> list[Path]:
    """Remove what a lock is for, where nobody holds it."""
    with lock.open("r") as held:
        try:
            fcntl.flock(held, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return []
        there = place.is_symlink() or place.exists()
        if place.is_dir() and not place.is_symlink():
            shutil.rmtree(place)
        else:
            place.unlink(missing_ok=True)
    return [place] if there else []
