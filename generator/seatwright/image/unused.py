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
    """Remove what nobody has used for long; what somebody holds now stays. Returns what went."""
    locks = [lock for kind in KINDS for lock in (cache / "images" / kind).glob(".*.lock")]
    used = {lock: lock.stat().st_mtime for lock in locks}
    oldest = max(used.values(), default=0.0) - KEPT
    return [place for lock in locks if used[lock] < oldest for place in _forget(lock)]


def _forget(lock: Path) -> list[Path]:
    """Remove what a lock is for."""
    place = lock.with_name(lock.name[1:].removesuffix(".lock"))
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
