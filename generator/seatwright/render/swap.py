"""Putting one built directory in the place of another, and remembering it half way.

Each place has a hidden sibling, ``.<name>.new``, on the same file system.  The new directory is
built there; then the two change names in one step of the kernel (``renameat2`` with
``RENAME_EXCHANGE``, renameat2(2)), after which the sibling holds the old one and is removed.
A file is put in place by ``rename``.

Several places cannot change in one step.  So before the first of them changes, a journal at the
root names them all and the digest each will have; :func:`finish` reads it and does what is left.
Without a journal a sibling is only a leftover.

On a file system that cannot exchange names (some network file systems) two renames stand in; the
place is then missing for the time between them, and :func:`finish` heals that too.
"""

from __future__ import annotations

import ctypes
import errno
import hashlib
import json
import os
import re
import shutil
from collections.abc import Collection, Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path

from seatwright.render.errors import WriteError
from seatwright.render.tree import MANIFEST, File, Tree

JOURNAL = ".seatwright.json"
PLACE = re.compile(r"roles|ansible\.cfg|inventories/(?!\.\.?/)[^/]+/rendered")
"""Places a journal may name: it lies in a checkout, so it is no more trusted than other input."""

_AT_FDCWD = -100
_RENAME_EXCHANGE = 2
_LIBC = ctypes.CDLL(None, use_errno=True)


def sibling(place: Path, suffix: str = "new") -> Path:
    """Where the next ``place`` is built."""
    return place.with_name(f".{place.name}.{suffix}")


def build(place: Path, tree: Tree) -> None:
    """Write ``tree`` beside ``place``. Raises OSError; then nothing of it stays."""
    staged = sibling(place)
    remove(staged)
    try:
        _make_directory(staged)
        for directory in sorted({parent for path in tree for parent in _parents(path)}):
            _make_directory(staged / directory)
        for path, file in tree.items():
            write_file(staged / path, file)
    except BaseException:
        remove(staged)
        raise


def _parents(path: str) -> list[str]:
    parts = path.split("/")[:-1]
    return ["/".join(parts[: count + 1]) for count in range(len(parts))]


def _make_directory(path: Path) -> None:
    path.mkdir()
    path.chmod(0o755)  # whatever the umask says: the same tree on every machine


def write_file(path: Path, file: File) -> None:
    """Make a file that is not there yet."""
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC
    descriptor = os.open(path, flags, file.mode)
    with os.fdopen(descriptor, "wb") as stream:
        os.fchmod(descriptor, file.mode)
        stream.write(file.content)


def remove(path: Path) -> None:
    """Remove a file or a whole directory, if it is there."""
    if path.is_dir() and not path.is_symlink():
        shutil.rmtree(path)
    else:
        path.unlink(missing_ok=True)


def flush(root: Path, places: Iterable[str]) -> None:
    """Everything written so far reaches the disk: one syncfs(2) for a thousand files."""
    parents = {path.stat().st_dev: path for path in (root, *((root / p).parent for p in places))}
    for directory in parents.values():
        with _opened(directory) as descriptor:
            if _LIBC.syncfs(descriptor) != 0:
                _raise_errno(directory)


def flush_directory(directory: Path) -> None:
    """The names in one directory reach the disk."""
    with _opened(directory) as descriptor:
        os.fsync(descriptor)


@contextmanager
def _opened(directory: Path) -> Iterator[int]:
    descriptor = os.open(directory, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        yield descriptor
    finally:
        os.close(descriptor)


def exchange(place: Path, staged: Path) -> None:
    """The two change names, at once where the file system can. Raises OSError."""
    if not os.path.lexists(place):
        staged.rename(place)
        return
    old, new = os.fsencode(place), os.fsencode(staged)
    if _LIBC.renameat2(_AT_FDCWD, new, _AT_FDCWD, old, _RENAME_EXCHANGE) == 0:
        return
    if ctypes.get_errno() not in (errno.ENOSYS, errno.EINVAL):
        _raise_errno(place)
    _exchange_in_steps(place, staged)


def _exchange_in_steps(place: Path, staged: Path) -> None:
    aside = sibling(place, "old")
    remove(aside)
    place.rename(aside)
    staged.rename(place)
    aside.rename(staged)


def _raise_errno(path: Path) -> None:
    code = ctypes.get_errno()
    raise OSError(code, os.strerror(code), str(path))


def swap(root: Path, digests: Mapping[str, str]) -> None:
    """Put every place's sibling in its place: all of them, or after an error none.

    ``digests`` is by place relative to ``root`` (see :func:`digest`), in the order they change.
    Raises OSError.
    """
    flush(root, digests)
    _write_journal(root, digests)
    done: list[str] = []
    try:
        for place in digests:
            exchange(root / place, sibling(root / place))
            done.append(place)
    except OSError:
        for place in reversed(done):
            exchange(root / place, sibling(root / place))
        _forget_journal(root)  # first: without it, what stands beside the places is rubbish
        drop_siblings(root, digests)
        raise
    close_journal(root, digests)


def _write_journal(root: Path, digests: Mapping[str, str]) -> None:
    draft = sibling(root / JOURNAL)
    remove(draft)
    text = json.dumps({"format": 1, "places": digests})
    write_file(draft, File(text.encode()))
    flush(root, ())
    draft.rename(root / JOURNAL)
    flush_directory(root)


def close_journal(root: Path, places: Collection[str]) -> None:
    """All places are as they should be: drop what was exchanged out, then forget the journal."""
    for parent in dict.fromkeys((root / place).parent for place in places):
        if parent.is_dir():  # somebody may have removed the whole site since
            flush_directory(parent)
    drop_siblings(root, places)
    _forget_journal(root)


def _forget_journal(root: Path) -> None:
    (root / JOURNAL).unlink()
    flush_directory(root)


def drop_siblings(root: Path, places: Iterable[str]) -> None:
    """Remove what stands beside the places. One that cannot go now goes with the next render."""
    for place in (*places, JOURNAL):
        with suppress(OSError):
            remove(sibling(root / place))


def digest(place: Path) -> str:
    """What tells an old place from its new one: the hash of its manifest, or of the file."""
    path = place / MANIFEST if place.is_dir() else place
    try:
        return hashlib.sha256(path.read_bytes()).hexdigest()
    except OSError:
        return ""


def finish(root: Path) -> tuple[str, ...]:
    """Do what an interrupted swap left undone; the places it had been about, () if none.

    Raises WriteError where the journal is not one of ours.
    """
    journal = root / JOURNAL
    if not os.path.lexists(journal):
        return ()
    digests = _read_journal(journal)
    for place, wanted in digests.items():
        _finish_place(root / place, wanted)
    close_journal(root, digests)
    return tuple(digests)


def _read_journal(journal: Path) -> dict[str, str]:
    hint = "Remove it, then render again."
    try:
        places = json.loads(journal.read_bytes())["places"]
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise WriteError(f"{journal.name} is no journal of an interrupted render.", hint) from error
    if not isinstance(places, dict) or not all(
        PLACE.fullmatch(place) and isinstance(wanted, str) for place, wanted in places.items()
    ):
        raise WriteError(f"{journal.name} names places that render never writes.", hint)
    return places


def _finish_place(place: Path, wanted: str) -> None:
    """Bring one place to its new state, wherever the interruption caught it."""
    staged, aside = sibling(place), sibling(place, "old")
    if digest(place) != wanted and digest(staged) == wanted:
        exchange(place, staged)
    if not os.path.lexists(place) and os.path.lexists(aside):
        aside.rename(place)
    remove(aside)
