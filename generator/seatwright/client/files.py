"""Files that are whole at any moment: written beside, flushed, renamed into place."""

from __future__ import annotations

import contextlib
import ctypes
import glob
import json
import os
import stat
from dataclasses import dataclass
from pathlib import Path

SMALL = 1_000_000


@dataclass(frozen=True, slots=True)
class Owner:
    """Owner and mode of a file; numbers as the kernel has them."""

    uid: int
    gid: int
    mode: int


def write_atomic(
    path: Path, data: bytes, *, owner: Owner | None = None, durable: bool = True
) -> None:
    """Replace ``path`` by ``data``: a reader, or a machine that lost power, finds old or new.

    Without ``owner``: the caller's, mode 0644. ``durable`` False leaves out the flush (for files
    in memory). Raises OSError; then nothing has changed.
    """
    mode = 0o644 if owner is None else owner.mode
    beside = _beside(path)
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC
    descriptor = os.open(beside, flags, 0o600)
    try:
        with os.fdopen(descriptor, "wb") as file:
            file.write(data)
            file.flush()
            if owner is not None and (owner.uid, owner.gid) != (os.geteuid(), os.getegid()):
                os.fchown(file.fileno(), owner.uid, owner.gid)
            os.fchmod(file.fileno(), mode)
            if durable:
                os.fsync(file.fileno())
        os.replace(beside, path)
    except BaseException:
        with contextlib.suppress(OSError):
            os.unlink(beside)
        raise
    if durable:
        sync_directory(path.parent)


def write_json(path: Path, value: object, *, durable: bool = True) -> None:
    """``value`` as one line of JSON, see :func:`write_atomic`."""
    line = json.dumps(value, ensure_ascii=False, sort_keys=True) + "\n"
    write_atomic(path, line.encode(), durable=durable)


def link_atomic(path: Path, target: str) -> None:
    """Replace ``path`` by a symbolic link, see :func:`write_atomic`. Raises OSError."""
    beside = _beside(path)
    os.symlink(target, beside)
    os.replace(beside, path)
    sync_directory(path.parent)


def _beside(path: Path) -> Path:
    """A name that nobody can know before."""
    return path.with_name(f".{path.name}.{os.urandom(4).hex()}.new")


def read_small(path: Path, *, owner: int | None = None) -> bytes:
    """A file that somebody else may have put there: regular, no link, at most 1 MB, never waits.

    ``owner``: whose it has to be. Raises OSError.
    """
    descriptor = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
    with os.fdopen(descriptor, "rb") as file:
        status = os.fstat(file.fileno())
        if not stat.S_ISREG(status.st_mode) or owner not in (None, status.st_uid):
            raise PermissionError(f"{path} is not the file it should be")
        data = file.read(SMALL + 1)
    if len(data) > SMALL:
        raise OSError(f"{path} is larger than {SMALL} bytes")
    return data


def sweep(path: Path) -> None:
    """Remove what writers of ``path`` left beside it when they were killed."""
    for left in path.parent.glob(f".{glob.escape(path.name)}.????????.new"):
        remove(left)


def remove(path: Path) -> None:
    """Remove a file, or do nothing where there is none."""
    with contextlib.suppress(FileNotFoundError):
        os.unlink(path)
        sync_directory(path.parent)


def sync_filesystem(path: Path) -> None:
    """Flush the file system of a directory: for many files far faster than one by one.

    syncfs(2), which Python's ``os`` does not have. Raises OSError.
    """
    descriptor = os.open(path, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        if ctypes.CDLL(None, use_errno=True).syncfs(descriptor) != 0:
            number = ctypes.get_errno()
            raise OSError(number, os.strerror(number), str(path))
    finally:
        os.close(descriptor)


def sync_directory(path: Path) -> None:
    """Make a rename or a removal in ``path`` last."""
    descriptor = os.open(path, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
