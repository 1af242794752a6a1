"""Files and directories that are seen old or new, never half."""

from __future__ import annotations

import contextlib
import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


def write_whole(path: Path, content: bytes, mode: int = 0o644) -> None:
    """Write a file beside its place and move it there. Raises OSError."""
    with _beside(path, content, mode) as scratch:
        os.replace(scratch, path)


def write_new(path: Path, content: bytes, mode: int = 0o644) -> None:
    """Write a file that is not there yet. Raises FileExistsError where it is, and OSError."""
    with _beside(path, content, mode) as scratch:
        os.link(scratch, path)  # unlike a rename, it never goes over a file


@contextmanager
def unfinished_beside(place: Path) -> Iterator[Path]:
    """A path at which to make what will be the directory ``place``; rename it at the end.

    Whatever a killed run left there goes first, and what was made goes where this one fails.
    """
    unfinished = place.with_name(f".{place.name}.unfinished")
    shutil.rmtree(unfinished, ignore_errors=True)
    try:
        yield unfinished
    except BaseException:
        shutil.rmtree(unfinished, ignore_errors=True)
        raise


@contextmanager
def _beside(path: Path, content: bytes, mode: int) -> Iterator[str]:
    """The name under which the whole file waits; afterwards nothing is left there."""
    try:
        handle, scratch = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
    except OSError as error:
        raise OSError(error.errno, error.strerror, str(path)) from None
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(content)
            stream.flush()
            os.fchmod(stream.fileno(), mode)
            os.fsync(stream.fileno())
        yield scratch
    finally:
        with contextlib.suppress(FileNotFoundError):
            os.unlink(scratch)
