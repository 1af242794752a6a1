"""The files of the last session that came up: kept, and put back.

``good/index.json`` names them by the SHA-256 of their content, ``good/blobs/`` has the contents.
The index is replaced whole by one rename, so a machine that loses power keeps the copy before or
the new one, never half of each.  Putting back begins with a check of every blob: a card that rots
must not make things worse.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from pathlib import Path

from seatwright.client.files import (
    Owner,
    link_atomic,
    remove,
    sweep,
    sync_filesystem,
    write_atomic,
    write_json,
)
from seatwright.client.layout import Layout
from seatwright.client.manifest import (
    Content,
    Manifest,
    ManifestError,
    describe,
    link_to,
    look,
    read_manifests,
    session_paths,
)

FORMAT = 1


class GoodCopyError(Exception):
    """The copy cannot be made or used; the text is one line."""


@dataclass(frozen=True, slots=True)
class Kept:
    """One entry of the copy; ``path`` as on the seat.

    A file has ``sha256`` and whose it is, a symbolic link ``target``; with neither it was absent.
    """

    path: str
    sha256: str | None
    uid: int = 0
    gid: int = 0
    mode: int = 0o644
    target: str | None = None

    def content(self) -> Content | None:
        """As it was found on the disk."""
        if self.target is not None:
            return link_to(self.target)
        if self.sha256 is None:
            return None
        return Content(self.sha256, Owner(self.uid, self.gid, self.mode))


@dataclass(frozen=True, slots=True)
class Index:
    """The copy: its digest, the session's files, their manifests, and what else was installed.

    ``others`` are paths of lists that the session did not depend on: putting back never removes
    them.
    """

    digest: str
    files: tuple[Kept, ...]
    manifests: tuple[Kept, ...]
    others: tuple[str, ...]


def read_index(good: Path) -> Index | None:
    """The copy's index, None where there is no copy. Raises GoodCopyError."""
    path = good / "index.json"
    try:
        value = json.loads(path.read_bytes())
        if value["format"] != FORMAT:
            raise ValueError("it is of another version")
        return Index(
            digest=str(value["digest"]),
            files=tuple(Kept(**one) for one in value["files"]),
            manifests=tuple(Kept(**one) for one in value["manifests"]),
            others=tuple(value["others"]),
        )
    except FileNotFoundError:
        return None
    except (OSError, ValueError, TypeError, KeyError, RecursionError) as error:
        raise GoodCopyError(f"{path}: cannot be used: {error!r}") from None


def keep(layout: Layout, digest: str) -> bool:
    """Copy the session's files if they are still those of ``digest``; True where that was new.

    Raises GoodCopyError where they are not, ManifestError, OSError.
    """
    manifests = read_manifests(layout.manifests)
    blobs: dict[str, bytes] = {}
    files = [_take(layout, path, blobs) for path in session_paths(manifests)]
    if _digest(files) != digest:
        raise GoodCopyError("the files have changed since this session started: nothing kept")
    lists = [
        _take(layout, f"/var/lib/seatwright/files/{one.name}.json", blobs)
        for one in manifests
        if one.session
    ]
    others = sorted({path for one in manifests if not one.session for path in one.paths})
    index = Index(digest, tuple(files), tuple(lists), tuple(others))
    if _same(layout.good, index):
        return False
    _store(layout.good, index, blobs)
    return True


def check(layout: Layout, index: Index) -> None:
    """Whether every content is there and whole. Raises GoodCopyError."""
    for one in (*index.files, *index.manifests):
        if one.sha256 is not None:
            _blob(layout, one)


def restore(layout: Layout, index: Index) -> None:
    """Put the copy back, and remove what the session's lists have that the copy had not.

    Can be interrupted and done again: the manifests, which say what to remove, come last.
    Raises GoodCopyError (before anything has changed), ManifestError, OSError.
    """
    check(layout, index)
    manifests = read_manifests(layout.manifests)
    for one in index.files:
        _put_back(layout, one)
    for path in surplus(manifests, index):
        remove(layout.on_seat(path))
    for one in index.manifests:
        _put_back(layout, one)
    known = {Path(one.path).stem for one in index.manifests}
    for manifest in manifests:
        if manifest.session and manifest.name not in known and _only_surplus(manifest, index):
            remove(layout.manifests / f"{manifest.name}.json")


def surplus(manifests: Iterable[Manifest], index: Index) -> tuple[str, ...]:
    """Paths of the session's present lists that came after the copy."""
    before = {one.path for one in index.files} | set(index.others)
    return tuple(path for path in session_paths(tuple(manifests)) if path not in before)


def _only_surplus(manifest: Manifest, index: Index) -> bool:
    return not set(manifest.paths) & set(index.others)


def _take(layout: Layout, path: str, blobs: dict[str, bytes]) -> Kept:
    place = layout.on_seat(path)
    content = look(place)
    if content is None:
        return Kept(path, None)
    if content.target is not None:
        return Kept(path, None, target=content.target)
    data = place.read_bytes()
    sha256 = hashlib.sha256(data).hexdigest()
    if sha256 != content.sha256:
        raise GoodCopyError(f"{path} is being changed: nothing kept")
    blobs[sha256] = data
    owner = content.owner
    return Kept(path, sha256, owner.uid, owner.gid, owner.mode)


def _digest(files: Iterable[Kept]) -> str:
    whole = hashlib.sha256()
    for one in sorted(files, key=lambda kept: kept.path):
        whole.update(describe(one.path, one.content()).encode())
    return whole.hexdigest()


def _same(good: Path, index: Index) -> bool:
    """A damaged copy is no reason not to make a new one."""
    try:
        return read_index(good) == index
    except GoodCopyError:
        return False


def _store(good: Path, index: Index, blobs: dict[str, bytes]) -> None:
    directory = good / "blobs"
    directory.mkdir(parents=True, exist_ok=True)
    os.chmod(good, 0o700)
    owner = Owner(os.geteuid(), os.getegid(), 0o600)
    for sha256, data in sorted(blobs.items()):
        if not _whole(directory / sha256, sha256):
            write_atomic(directory / sha256, data, owner=owner, durable=False)
    sync_filesystem(directory)
    sweep(good / "index.json")
    write_json(good / "index.json", {"format": FORMAT, **asdict(index)})
    for path in sorted(directory.iterdir()):
        if path.name not in blobs:
            remove(path)


def _whole(path: Path, sha256: str) -> bool:
    try:
        return hashlib.sha256(path.read_bytes()).hexdigest() == sha256
    except OSError:
        return False


def _blob(layout: Layout, one: Kept) -> bytes:
    path = layout.good / "blobs" / str(one.sha256)
    try:
        data = path.read_bytes()
    except OSError as error:
        raise GoodCopyError(f"the copy of {one.path} cannot be read: {error.strerror}") from None
    if hashlib.sha256(data).hexdigest() != one.sha256:
        raise GoodCopyError(f"the copy of {one.path} is damaged")
    return data


def _put_back(layout: Layout, one: Kept) -> None:
    place = layout.on_seat(one.path)
    sweep(place)
    wanted = one.content()
    if wanted is None:
        remove(place)
        return
    try:
        if look(place) == wanted:
            return
    except ManifestError:  # something else stands there: a rename replaces it, or says why not
        pass
    place.parent.mkdir(parents=True, exist_ok=True)
    if wanted.target is not None:
        link_atomic(place, wanted.target)
        return
    write_atomic(place, _blob(layout, one), owner=wanted.owner)
