"""What has to happen so that a seat holds a list of files, and then doing it.

Standard library only: this runs on the seat.
"""

from __future__ import annotations

import contextlib
import os
import shutil
from collections.abc import Callable, Iterable
from dataclasses import dataclass

from ansible.module_utils.seat_entries import Entry, Found, Refused, look, owner_ids, real_path
from ansible.module_utils.seat_manifest import Manifest
from ansible.module_utils.seat_write import commit, forget, flush, set_aside, stage, stage_link

ASIDE = "/var/lib/seatwright/set-aside"
DIRECTORY_MODE = 0o755


@dataclass(frozen=True, slots=True)
class Change:
    """One thing to do at ``place`` (``path`` below the root).

    ``kind``: write (content, owner and mode), permit (owner and mode only), link, make (a
    directory), remove.  ``aside``: first keep a copy of what is there, for a person wrote it.
    ``private``: what is there, was there or is to be there is for its owner's eyes only.
    """

    kind: str
    path: str
    place: str
    found: Found
    entry: Entry | None = None
    aside: bool = False
    private: bool = False


def plan_changes(
    root: str, entries: Iterable[Entry], old: Manifest | None, others: set[str]
) -> tuple[Change, ...]:
    """Everything that differs, in the order of the list, then what it no longer has.

    ``others`` are paths of other lists, which are not removed.  Raises Refused, OSError.
    """
    entries = tuple(entries)
    changes = [_change(root, entry, old) for entry in entries]
    gone = (old.paths if old else set()) - {entry.path for entry in entries} - others
    changes += [_removal(root, path, old) for path in sorted(gone)]
    return tuple(change for change in changes if change is not None)


def _change(root: str, entry: Entry, old: Manifest | None) -> Change | None:
    if entry.state == "absent":
        return _removal(root, entry.path, old, entry)
    place = real_path(root, entry.path)
    found = look(place)
    kind = {"present": _for_file, "link": _for_link, "directory": _for_directory}[entry.state]
    need = kind(entry, found)
    if need is None:
        return None
    if found.kind == "other" or (found.kind == "directory" and entry.state != "directory"):
        raise Refused(f"{entry.path!r} is a {_WORDS[found.kind]} on this seat — remove it first")
    overwrites = found.kind == "file" and need in ("write", "link")
    aside = overwrites and _edited(found, entry, old)
    private = _private(entry.path, found, entry, old)
    return Change(need, entry.path, place, found, entry, aside, private)


_WORDS = {"other": "device, socket or pipe", "directory": "directory"}


def _for_file(entry: Entry, found: Found) -> str | None:
    if found.kind != "file" or found.sha256 != entry.sha256:
        return "write"
    return None if fits(entry, found) else "permit"


def _for_link(entry: Entry, found: Found) -> str | None:
    return None if found.kind == "link" and found.target == entry.target else "link"


def _for_directory(entry: Entry, found: Found) -> str | None:
    if found.kind not in ("missing", "directory"):
        raise Refused(f"{entry.path!r} must be a directory but is a {found.kind} — remove it first")
    if found.kind == "missing":
        return "make"
    return None if fits(entry, found) else "permit"


def fits(entry: Entry, found: Found) -> bool:
    """Whether owner and mode are as wanted."""
    return found.mode == entry.mode and (found.uid, found.gid) == owner_ids(entry)


def _edited(found: Found, entry: Entry | None, old: Manifest | None) -> bool:
    """Whether a file holds neither what is wanted nor what we ever put there."""
    record = old.files.get(entry.path) if old and entry else None
    return record is None or not record.known(found.sha256)


def _private(path: str, found: Found, entry: Entry | None, old: Manifest | None) -> bool:
    """Whether a file is, was or shall be for its owner's eyes only."""
    record = old.files.get(path) if old else None
    return (
        (entry is not None and entry.sensitive)
        or (found.kind == "file" and not found.mode & 0o077)
        or (record is not None and record.mode.endswith("00"))
    )


def _removal(
    root: str, path: str, old: Manifest | None, entry: Entry | None = None
) -> Change | None:
    """Removal of a file or link; one that a person made or changed is kept aside.

    A link that no longer leads where we had it lead is a person's and stays where it is, unless
    the list asks for its removal.
    """
    place = real_path(root, path)
    found = look(place)
    if found.kind in ("missing", "directory", "other"):
        return None
    if found.kind == "link":
        ours = old is not None and old.links.get(path) == found.target
        return Change("remove", path, place, found, entry) if ours or entry else None
    record = old.files.get(path) if old else None
    aside = record is None or not record.known(found.sha256)
    return Change("remove", path, place, found, entry, aside, _private(path, found, entry, old))


def missing_directories(root: str, changes: Iterable[Change]) -> tuple[str, ...]:
    """Paths of directories that the changes need and that are not there, outermost first."""
    missing = set()
    for change in changes:
        if change.kind == "make":
            missing.add(change.path)
        parent = os.path.dirname(change.path)
        while change.kind != "remove" and parent != "/":
            if not os.path.lexists(real_path(root, parent)):
                missing.add(parent)
            parent = os.path.dirname(parent)
    return tuple(sorted(missing))


def carry_out(root: str, changes: tuple[Change, ...]) -> dict[str, str]:
    """Make the changes; where each copy of a person's file was put, by path.

    Everything is written beside its place and flushed before the first file goes live, so that
    a full disk changes nothing.  Raises Refused, OSError.
    """
    made = _make_directories(root, changes)
    staged: list[str] = []
    try:
        for change in changes:
            _stage(change, staged)
        aside = os.path.join(root, ASIDE.lstrip("/"))
        copies = {one.path: set_aside(one.place, aside, one.path) for one in changes if one.aside}
        flush(os.path.dirname(place) for place in staged)
    except BaseException:
        for place in staged:
            forget(place)
        for place in reversed(made):
            with contextlib.suppress(OSError):
                os.rmdir(place)
        raise
    for change in changes:
        _DO[change.kind](change)
    flush(sorted(filter(os.path.isdir, {os.path.dirname(change.place) for change in changes})))
    return copies


def clean_up(root: str, old: Manifest | None) -> None:
    """Remove what a run that died left waiting beside the files it named."""
    for path in sorted(old.paths if old else ()):
        forget(real_path(root, path))


def drop_directories(root: str, directories: Iterable[str]) -> tuple[str, ...]:
    """Remove those that we had made and that are empty now, innermost first.

    What Python keeps beside its programs to start faster goes with them.
    """
    dropped = []
    for path in sorted(directories, reverse=True):
        place = real_path(root, path)
        with contextlib.suppress(OSError):
            if os.listdir(place) == ["__pycache__"]:
                shutil.rmtree(os.path.join(place, "__pycache__"))
            os.rmdir(place)
            dropped.append(path)
    return tuple(dropped)


def _make_directories(root: str, changes: tuple[Change, ...]) -> list[str]:
    listed = {one.path: one.entry for one in changes if one.kind == "make" and one.entry}
    made = []
    for path in missing_directories(root, changes):
        place = real_path(root, path)
        os.mkdir(place)
        made.append(place)
        entry = listed.get(path)
        os.chmod(place, entry.mode if entry else DIRECTORY_MODE)
        if entry:
            os.chown(place, *ids(entry))
    return made


def _stage(change: Change, staged: list[str]) -> None:
    entry = change.entry
    if change.kind == "write" and entry is not None and entry.content is not None:
        stage(change.place, entry.content, entry.mode, *ids(entry))
        staged.append(change.place)
    elif change.kind == "link" and entry is not None and entry.target is not None:
        stage_link(change.place, entry.target)
        staged.append(change.place)


def ids(entry: Entry) -> tuple[int, int]:
    """User and group as numbers; raises Refused where the seat does not know them."""
    numbers = owner_ids(entry)
    if numbers is None:
        raise Refused(
            f"{entry.path!r} is to belong to {entry.owner}:{entry.group}, which this seat does not "
            "know — make the user and the group first"
        )
    return numbers


def _permit(change: Change) -> None:
    """Owner before mode: a change of owner takes special bits away."""
    if change.entry is not None:
        os.chown(change.place, *ids(change.entry))
        os.chmod(change.place, change.entry.mode)


def _remove(change: Change) -> None:
    with contextlib.suppress(FileNotFoundError):
        os.unlink(change.place)


_DO: dict[str, Callable[[Change], None]] = {
    "write": lambda change: commit(change.place),
    "link": lambda change: commit(change.place),
    "make": lambda change: None,
    "permit": _permit,
    "remove": _remove,
}
