"""What a render would change on the disk, and what of it somebody did by hand."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from difflib import unified_diff
from pathlib import Path

from seatwright.findings.words import printable
from seatwright.render.errors import WriteError
from seatwright.render.tree import (
    Changes,
    Entry,
    File,
    Tree,
    compare,
    hand_edits,
    read_manifest,
    scan,
)


@dataclass(frozen=True, slots=True)
class Output:
    """All that a render writes, by place relative to the repository's root.

    ``directories`` are complete trees (manifest included); ``beside`` are single files, written
    only where they are absent or still as we wrote them.
    """

    directories: Mapping[str, Tree]
    beside: Mapping[str, File]


@dataclass(frozen=True, slots=True)
class Difference:
    """Paths relative to the repository's root.

    ``edits`` are changes by hand that writing would lose; ``foreign`` are files beside the
    directories that somebody else wrote and that are left alone; ``places`` are those keys of
    the output in which anything changes.
    """

    changes: Changes
    edits: Changes
    foreign: tuple[str, ...]
    places: tuple[str, ...]


def difference(root: Path, output: Output) -> Difference:
    """Compare what stands on the disk with ``output``. Raises OSError and WriteError."""
    parts = [_directory(root, place, tree) for place, tree in output.directories.items()]
    ours = _written_beside(root, output)
    parts += [_beside(root, name, file, ours.get(name)) for name, file in output.beside.items()]
    return Difference(
        changes=_together(part.changes for part in parts),
        edits=_together(part.edits for part in parts),
        foreign=tuple(name for part in parts for name in part.foreign),
        places=tuple(place for part in parts for place in part.places),
    )


def _directory(root: Path, place: str, tree: Tree) -> Difference:
    _refuse_odd_place(root / place)
    found = scan(root / place)
    changes = compare(found, tree)
    edits = hand_edits(found, read_manifest(root / place), tree)
    places = (place,) if changes else ()
    return Difference(changes.below(place), edits.below(place), (), places)


def _refuse_odd_place(path: Path) -> None:
    if path.is_symlink():
        raise WriteError(
            f"{path} is a symbolic link; render would put a directory in its place.",
            "Remove the link, or render where it points.",
        )
    if os.path.lexists(path) and not path.is_dir():
        raise WriteError(f"{path} is not a directory.", "Render makes a directory there: move it.")
    if path.is_mount():
        raise WriteError(
            f"{path} is a mount point and cannot be replaced.",
            "Mount the whole repository instead.",
        )


def _written_beside(root: Path, output: Output) -> dict[str, Entry]:
    """What the last render wrote beside the directories."""
    manifests = (read_manifest(root / place) for place in output.directories)
    return {name: entry for made in manifests if made for name, entry in made.beside.items()}


def _beside(root: Path, name: str, file: File, ours: Entry | None) -> Difference:
    path = root / name
    if not os.path.lexists(path):
        return Difference(Changes(added=(name,)), Changes(), (), (name,))
    if path.is_symlink() or not path.is_file():
        return Difference(Changes(), Changes(), (name,), ())
    # Its mode is the person's business: only the content counts.
    found = File(path.read_bytes(), file.executable)
    if found == file:
        return Difference(Changes(), Changes(), (), ())
    if Entry.of(found) == ours:
        return Difference(Changes(changed=(name,)), Changes(), (), (name,))
    return Difference(Changes(), Changes(), (name,), ())


def _together(parts: Iterable[Changes]) -> Changes:
    listed = list(parts)
    return Changes(
        added=tuple(sorted(path for part in listed for path in part.added)),
        changed=tuple(sorted(path for part in listed for path in part.changed)),
        removed=tuple(sorted(path for part in listed for path in part.removed)),
    )


def line_by_line(root: Path, output: Output, changes: Changes) -> Iterator[str]:
    """The changes as a unified diff, every line fit for a terminal. Raises OSError."""
    wanted = dict(output.beside)
    for place, tree in output.directories.items():
        wanted |= {f"{place}/{path}": file for path, file in tree.items()}
    for what, path in changes:
        old = [] if what == "added" else _lines(_content(root / path))
        new = [] if what == "removed" else _lines(wanted[path].content)
        before = "/dev/null" if what == "added" else f"a/{path}"
        after = "/dev/null" if what == "removed" else f"b/{path}"
        for line in unified_diff(old, new, before, after, lineterm=""):
            yield printable(line)


def _content(path: Path) -> bytes:
    """What stands at ``path``; a link is shown by where it points, and nothing else is opened."""
    if path.is_symlink():
        return f"-> {path.readlink()}".encode(errors="replace")
    return path.read_bytes() if path.is_file() else b""


def _lines(content: bytes) -> list[str]:
    return content.decode(errors="replace").splitlines()
