"""What the cache of images keeps, and for how long: bases, layers, root file systems.

Whoever uses one opens its lock file, which is thereby as old as the last use.
"""

from __future__ import annotations

import contextlib
import fcntl
import shutil
import time
from pathlib import Path

KINDS = ("bases", "layers", "filesystems")
LONGEST = 86400.0
"""Seconds that no run takes."""
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
    old = [(lock, _held_by(lock)) for lock in locks if used[lock] < oldest]
    unfinished = [one for place in places for one in place.glob(".*.unfinished")]
    old += [(one.with_suffix(".lock"), one) for one in unfinished]
    gone = [one for lock, place in old if lock.exists() for one in _forget(lock, place)]
    return gone + _forget_beside(cache / "images/packages")


def _held_by(lock: Path) -> Path:
    """What a lock is for."""
    return lock.with_name(lock.name[1:].removesuffix(".lock"))


def _forget_beside(packages: Path) -> list[Path]:
    """Remove what lies beside the kept packages for longer than any run takes."""
    gone = []
    for left in packages.glob(".*"):
        with contextlib.suppress(FileNotFoundError):  # a run that goes on has just ended
            if time.time() - left.stat().st_mtime > LONGEST:
                shutil.rmtree(left)
                gone.append(left)
    return gone


def _forget(lock: Path, place: Path) -> list[Path]:
    """Remove ``place``, where nobody holds its lock."""
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
