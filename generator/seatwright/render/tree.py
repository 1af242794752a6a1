"""Files in memory, what stands on the disk, and the difference between the two.

A tree maps relative POSIX paths to :class:`File`. Every rendered directory has a manifest, a
file like the others, with the SHA-256 and the mode of each; what the disk has and the manifest
does not know was changed by hand.
"""

from __future__ import annotations

import hashlib
import json
import os
import stat
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path

MANIFEST = "manifest.json"
MANIFEST_FORMAT = 1
MANIFEST_LIMIT = 64 * 2**20

LARGEST = 2**30
"""Bytes of a file that is looked into; we write none that large."""

IGNORED = "__pycache__"
"""Directories Python leaves beside modules it has run; not worth a word."""


@dataclass(frozen=True, slots=True)
class File:
    """One file's bytes; ``executable`` is all that git keeps of a mode, so all we promise."""

    content: bytes
    executable: bool = False

    @property
    def mode(self) -> int:
        """The mode it is written with."""
        return 0o755 if self.executable else 0o644

    @property
    def digest(self) -> str:
        """SHA-256 of the content, in hex."""
        return hashlib.sha256(self.content).hexdigest()


Tree = Mapping[str, File]


@dataclass(frozen=True, slots=True)
class Entry:
    """What the manifest says about one file."""

    digest: str
    executable: bool

    @staticmethod
    def of(file: File) -> Entry:
        """The entry that ``file`` gets."""
        return Entry(file.digest, file.executable)


@dataclass(frozen=True, slots=True)
class Manifest:
    """What a rendered directory held when it was written.

    ``roles`` are those its playbooks need; ``beside`` are files next to the directory.
    """

    files: Mapping[str, Entry]
    roles: tuple[str, ...] = ()
    beside: Mapping[str, Entry] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Changes:
    """Paths in order; false where there are none."""

    added: tuple[str, ...] = ()
    changed: tuple[str, ...] = ()
    removed: tuple[str, ...] = ()

    def __bool__(self) -> bool:
        return bool(self.added or self.changed or self.removed)

    def __iter__(self) -> Iterator[tuple[str, str]]:
        """Pairs of what happened and the path, in the order of the paths."""
        words = (("added", self.added), ("changed", self.changed), ("removed", self.removed))
        pairs = ((word, path) for word, paths in words for path in paths)
        return iter(sorted(pairs, key=lambda pair: pair[1]))

    @property
    def paths(self) -> tuple[str, ...]:
        """All of them, in order."""
        return tuple(sorted((*self.added, *self.changed, *self.removed)))

    def below(self, directory: str) -> Changes:
        """The same with ``directory`` before each path."""
        return Changes(
            tuple(f"{directory}/{path}" for path in self.added),
            tuple(f"{directory}/{path}" for path in self.changed),
            tuple(f"{directory}/{path}" for path in self.removed),
        )


def with_manifest(
    tree: Tree, roles: tuple[str, ...] = (), beside: Mapping[str, File] | None = None
) -> dict[str, File]:
    """``tree`` in order of path, its manifest included."""
    ordered = {path: tree[path] for path in sorted(tree)}
    text = _manifest_text(ordered, roles, beside or {})
    return {**ordered, MANIFEST: File(text.encode())}


def _manifest_text(tree: Tree, roles: tuple[str, ...], beside: Mapping[str, File]) -> str:
    """JSON with one line for each file, so that a diff of it can be read."""
    return (
        "{\n"
        f'"format": {MANIFEST_FORMAT},\n'
        f'"roles": {json.dumps(sorted(roles))},\n'
        f'"beside": {_entries(beside)},\n'
        f'"files": {_entries(tree)}\n'
        "}\n"
    )


def _entries(files: Mapping[str, File]) -> str:
    lines = (
        f' {json.dumps(path)}: {{"mode": "{file.mode:04o}", "sha256": "{file.digest}"}}'
        for path, file in sorted(files.items())
    )
    body = ",\n".join(lines)
    return f"{{\n{body}\n}}" if body else "{}"


def read_manifest(directory: Path) -> Manifest | None:
    """The manifest of ``directory``; None where there is none that we could have written."""
    try:
        with (directory / MANIFEST).open("rb") as stream:
            data = json.loads(stream.read(MANIFEST_LIMIT))
    except (OSError, ValueError, RecursionError):
        return None
    if not isinstance(data, dict) or data.get("format") != MANIFEST_FORMAT:
        return None
    try:
        return Manifest(
            files=_parse_entries(data["files"]),
            roles=tuple(str(role) for role in data["roles"]),
            beside=_parse_entries(data["beside"]),
        )
    except (KeyError, TypeError, AttributeError, ValueError):
        return None


def _parse_entries(data: Mapping[str, Mapping[str, str]]) -> dict[str, Entry]:
    return {
        path: Entry(entry["sha256"], bool(int(entry["mode"], 8) & 0o111))
        for path, entry in data.items()
    }


def scan(directory: Path) -> dict[str, File | None]:
    """Every file below ``directory``, in no particular order; none where it does not exist.

    None stands for what is no regular file (a link, a socket) or far too large: never equal to
    anything of ours.
    Raises OSError where something cannot be read.
    """
    if not os.path.lexists(directory):
        return {}
    return dict(_walk(directory, ""))


def _walk(directory: Path, prefix: str) -> Iterator[tuple[str, File | None]]:
    with os.scandir(directory) as entries:
        for entry in entries:
            path = prefix + entry.name
            if entry.is_dir(follow_symlinks=False):
                if entry.name != IGNORED:
                    yield from _walk(Path(entry.path), f"{path}/")
            else:
                yield path, _found(entry)


def _found(entry: os.DirEntry[str]) -> File | None:
    status = entry.stat(follow_symlinks=False)
    if not stat.S_ISREG(status.st_mode) or status.st_size > LARGEST:
        return None
    return File(Path(entry.path).read_bytes(), bool(status.st_mode & stat.S_IXUSR))


def compare(found: Mapping[str, File | None], tree: Tree) -> Changes:
    """What has to happen for ``found`` to become ``tree``."""
    return Changes(
        added=tuple(sorted(tree.keys() - found.keys())),
        changed=tuple(
            sorted(path for path in tree.keys() & found.keys() if found[path] != tree[path])
        ),
        removed=tuple(sorted(found.keys() - tree.keys())),
    )


def hand_edits(found: Mapping[str, File | None], manifest: Manifest | None, tree: Tree) -> Changes:
    """What somebody did to a rendered directory since it was written.

    A file that already is what would be rendered is no loss, whoever wrote it (a merge, say).
    """
    known = manifest.files if manifest else {}

    def lost(path: str, file: File | None) -> bool:
        wanted = file is not None and file == tree.get(path)
        ours = path in known and _entry(file) == known[path]
        return path != MANIFEST and not wanted and not ours

    edited = [path for path, file in found.items() if lost(path, file)]
    return Changes(
        added=tuple(sorted(path for path in edited if path not in known)),
        changed=tuple(sorted(path for path in edited if path in known)),
        removed=tuple(sorted(path for path in known if path not in found and path in tree)),
    )


def _entry(file: File | None) -> Entry | None:
    return Entry.of(file) if file else None
