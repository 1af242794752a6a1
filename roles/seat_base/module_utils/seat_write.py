"""Writing that leaves, at any moment, the old file or the new one.

Standard library only: this runs on the seat.
"""

from __future__ import annotations

import contextlib
import ctypes
import filecmp
import os
import shutil
from collections.abc import Iterable

SUFFIX = ".seatwright-new"


def beside(place: str) -> str:
    """The name under which a new file waits: hidden, without the suffix that would bring it to
    life (``.rules``, ``.service``), and the same at every try, so that a dead run's is found."""
    directory, name = os.path.split(place)
    return os.path.join(directory, f".{name}{SUFFIX}")


def stage(place: str, data: bytes, mode: int, uid: int = -1, gid: int = -1) -> None:
    """Write ``data`` beside ``place``; :func:`flush` comes before :func:`commit`.

    Raises OSError, which names ``place``, and then leaves nothing.
    """
    waiting = beside(place)
    forget(place)
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC
    descriptor = os.open(waiting, flags, 0o600)
    try:
        with os.fdopen(descriptor, "wb") as file:
            file.write(data)
            file.flush()
            os.fchown(file.fileno(), uid, gid)
            os.fchmod(file.fileno(), mode)
    except OSError as error:
        forget(place)
        raise OSError(error.errno, error.strerror, place) from None
    except BaseException:
        forget(place)
        raise


def stage_link(place: str, target: str) -> None:
    """Make the link beside ``place``."""
    forget(place)
    os.symlink(target, beside(place))


def commit(place: str) -> None:
    """Put what waits beside ``place`` into its place."""
    os.replace(beside(place), place)


def forget(place: str) -> None:
    """Remove what waits beside ``place``, if anything does."""
    with contextlib.suppress(FileNotFoundError, NotADirectoryError):
        os.unlink(beside(place))


def write_whole(place: str, data: bytes, mode: int) -> None:
    """One file, staged and committed and made to last."""
    stage(place, data, mode)
    flush([os.path.dirname(place)])
    commit(place)
    flush([os.path.dirname(place)])


def flush(directories: Iterable[str]) -> None:
    """Make all that was written, renamed or removed below directories survive a power cut.

    One flush of each file system: a flush of each of many files takes ten times as long, most of
    all on a card. Raises OSError.
    """
    flushed = set()
    for directory in directories:
        descriptor = os.open(directory, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
        try:
            device = os.fstat(descriptor).st_dev
            if device not in flushed:
                syncfs(descriptor)
                flushed.add(device)
        finally:
            os.close(descriptor)


def syncfs(descriptor: int) -> None:
    """syncfs(2), which Python's ``os`` does not have. Raises OSError."""
    libc = ctypes.CDLL(None, use_errno=True)
    if libc.syncfs(descriptor) != 0:
        number = ctypes.get_errno()
        raise OSError(number, os.strerror(number))


def set_aside(place: str, aside: str, path: str) -> str:
    """Copy what a person wrote at ``place`` below ``aside``; where it now is.

    Earlier copies stay: the new one then has a number behind its name, unless it is the same.
    """
    wanted = os.path.join(aside, path.lstrip("/"))
    copy, number = wanted, 1
    while os.path.lexists(copy):
        if filecmp.cmp(place, copy, shallow=False):
            return copy
        number += 1
        copy = f"{wanted}~{number}"
    os.makedirs(aside, mode=0o700, exist_ok=True)
    os.makedirs(os.path.dirname(copy), exist_ok=True)
    shutil.copy2(place, copy, follow_symlinks=False)
    status = os.lstat(place)
    os.lchown(copy, status.st_uid, status.st_gid)
    return copy
