"""Writing what was rendered: all of it or nothing.

Two directories are swapped whole, ``roles/`` at the root of the repository and
``inventories/<site>/rendered/``, and ``ansible.cfg`` goes with them.  How the swap survives an
interruption is told in :mod:`seatwright.render.swap`.
"""

from __future__ import annotations

import errno
import fcntl
import os
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from seatwright.render.difference import Difference, Output, difference
from seatwright.render.errors import HandEdits, WriteError
from seatwright.render.swap import JOURNAL, build, drop_siblings, finish, sibling, swap, write_file
from seatwright.render.tree import MANIFEST

LOCK_PATIENCE = 30.0
"""Seconds to wait for another render in the same repository."""

HINTS = {
    errno.ENOSPC: "make room on that disk and render again",
    errno.EDQUOT: "make room within your quota and render again",
    errno.EROFS: "the file system is mounted read-only",
    errno.EACCES: "see who owns that directory, and render as a user who may write there",
    errno.EPERM: "see who owns that directory, and render as a user who may write there",
    errno.EBUSY: "something is mounted there; render replaces whole directories",
    errno.EXDEV: "render renames directories; keep each of them on one file system",
}


@contextmanager
def locked(root: Path) -> Iterator[None]:
    """Only one render at a time in a repository; raises WriteError after half a minute."""
    with _explained(root):
        descriptor = os.open(root, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        _take(descriptor, root)
        yield
    finally:
        os.close(descriptor)


def _take(descriptor: int, root: Path) -> None:
    deadline = time.monotonic() + LOCK_PATIENCE
    while True:
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
            return
        except BlockingIOError as error:
            if time.monotonic() > deadline:
                raise WriteError(
                    f"Another render has been at work in {root} for {LOCK_PATIENCE:.0f} s.",
                    "Wait for it, or end it, and render again.",
                ) from error
        time.sleep(0.1)


@contextmanager
def _explained(root: Path) -> Iterator[None]:
    """Turn what the kernel says into what a person is told."""
    try:
        yield
    except OSError as error:
        place = os.fsdecode(error.filename) if error.filename else str(root)
        reason = error.strerror or str(error)
        raise WriteError(f"{place}: {reason}.", HINTS.get(error.errno or 0, "")) from error


def recover(root: Path) -> tuple[str, ...]:
    """Finish what an interrupted render left half way; the places it had been about."""
    with _explained(root):
        return finish(root)


def compared(root: Path, output: Output) -> Difference:
    """What :func:`write` would change. Writes nothing. Raises WriteError."""
    with _explained(root):
        return difference(root, output)


def refuse_hand_edits(found: Difference) -> None:
    """Raise HandEdits where writing would lose what somebody did by hand."""
    if found.edits:
        raise HandEdits(tuple(found.edits))


def write(root: Path, output: Output, found: Difference) -> None:
    """Bring the disk to ``output``, all or nothing; what is the same already is not touched.

    ``found`` is what :func:`compared` said; hand edits in it are lost.  The caller holds the
    lock and has recovered.  Raises WriteError with the old files intact.
    """
    drop_siblings(root, (*output.directories, *output.beside))  # of a render that was killed
    if found.places:
        with _explained(root):
            _replace(root, output, found.places)


def _replace(root: Path, output: Output, places: tuple[str, ...]) -> None:
    try:
        digests = {place: _stage(root / place, output, place) for place in places}
        swap(root, digests)
    except BaseException:
        if not os.path.lexists(root / JOURNAL):  # else they are what the journal speaks of
            drop_siblings(root, places)
        raise


def _stage(path: Path, output: Output, place: str) -> str:
    """Build one place beside itself; the digest it will have (see :func:`swap.digest`)."""
    if place in output.beside:
        file = output.beside[place]
        sibling(path).unlink(missing_ok=True)
        write_file(sibling(path), file)
        return file.digest
    tree = output.directories[place]
    build(path, tree)
    return tree[MANIFEST].digest
