"""What a list of files may say, and what stands on the disk in its place.

A list is read whole before anything is looked at: a path that is not plain, or that stands there
twice, is refused with all the others in one message.  Standard library only: this runs on the seat.
"""

from __future__ import annotations

import grp
import hashlib
import os
import pwd
import re
import stat
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

STATES = ("present", "absent", "directory", "link")
LIST_NAME = re.compile(r"[a-z0-9][a-z0-9_-]{0,63}")
OWN_PLACE = "/var/lib/seatwright/files"
"""Where the manifests are: no list may write there."""


class Refused(Exception):
    """Something that is not done; the text says what and, after a dash, what to do instead."""


@dataclass(frozen=True, slots=True)
class Entry:
    """One line of a list. ``content`` is None where only its SHA-256 was sent so far."""

    path: str
    state: str
    sha256: str | None
    content: bytes | None
    target: str | None
    owner: str
    group: str
    mode: int
    validate: tuple[str, ...]
    sensitive: bool


@dataclass(frozen=True, slots=True)
class Found:
    """What is at a path; ``kind`` is missing, file, link, directory or other."""

    kind: str
    mode: int = 0
    uid: int = -1
    gid: int = -1
    sha256: str | None = None
    target: str | None = None


def parse_entries(
    files: Sequence[Mapping[str, object]], *, compared: bool = False
) -> tuple[Entry, ...]:
    """The entries of a list in order; raises Refused with every problem of the list.

    ``compared``: nothing will be written, and hashes do for contents.
    """
    entries = tuple(_entry(values) for values in files if values.get("wanted", True))
    problems = [problem for entry in entries for problem in _problems(entry, compared)]
    problems += _clashes(entries)
    if problems:
        raise Refused("; ".join(problems))
    return entries


def _entry(values: Mapping[str, object]) -> Entry:
    text = values.get("content")
    content = None if text is None else str(text).encode("utf-8", "surrogateescape")
    sent = values.get("sha256")
    digest = hashlib.sha256(content).hexdigest() if content is not None else sent
    state = str(values.get("state") or "present")
    validate = values.get("validate") or ()
    return Entry(
        path=str(values["path"]),
        state=state,
        sha256=None if digest is None else str(digest),
        content=content,
        target=None if values.get("target") is None else str(values["target"]),
        owner=str(values.get("owner") or "root"),
        group=str(values.get("group") or "root"),
        mode=_mode(values.get("mode") or ("0755" if state == "directory" else "0644")),
        validate=tuple(str(word) for word in validate) if isinstance(validate, list) else (),
        sensitive=bool(values.get("sensitive")),
    )


def _mode(value: object) -> int:
    """A mode as octal text; a YAML number has lost its meaning by the time it comes here."""
    if isinstance(value, str) and re.fullmatch(r"0[0-7]{3,4}", value):
        return int(value, 8)
    raise Refused(f'mode {value!r} is not octal text — write it quoted, as in "0644"')


def _problems(entry: Entry, compared: bool) -> list[str]:
    where = repr(entry.path)
    problems = []
    if not plain_path(entry.path):
        problems.append(f"{where} is not an absolute path in its plain form — no .. and no //")
    if entry.path == OWN_PLACE or entry.path.startswith(f"{OWN_PLACE}/"):
        problems.append(f"{where} is where the lists are recorded — choose another place")
    if entry.state == "present" and (entry.sha256 if compared else entry.content) is None:
        problems.append(f"{where} has no content — give content or src")
    if entry.state == "link" and not entry.target:
        problems.append(f"{where} is a link to nowhere — give target")
    if entry.sensitive and entry.state == "present" and entry.mode & 0o077:
        problems.append(f'{where} is sensitive and others may read it — give mode "0600"')
    if entry.validate and not any("%s" in word for word in entry.validate):
        problems.append(f'{where}: its validation never names the file — add "%s"')
    return problems


def plain_path(path: str) -> bool:
    """Whether a path is absolute and written in the one form that names it."""
    return (
        path.startswith("/")
        and not path.startswith("//")
        and path != "/"
        and os.path.normpath(path) == path
        and path.isprintable()
    )


def _clashes(entries: tuple[Entry, ...]) -> list[str]:
    seen: dict[str, Entry] = {}
    problems = []
    for entry in entries:
        if entry.path in seen:
            problems.append(f"{entry.path!r} stands in the list twice — keep one of them")
        seen[entry.path] = entry
    for entry in entries:
        above = next((seen[one] for one in _parents(entry.path) if one in seen), None)
        if entry.state != "absent" and above is not None and above.state != "directory":
            problems.append(f"{entry.path!r} lies below {above.path!r}, which is no directory here")
    return problems


def _parents(path: str) -> list[str]:
    parts = path.split("/")
    return ["/".join(parts[:end]) for end in range(len(parts) - 1, 1, -1)]


def real_path(root: str, path: str) -> str:
    """Where ``path`` is below ``root``; raises Refused where a link leads out of the root.

    Links on the way are followed only inside the root, and only those that root (or whoever runs
    this) made: anybody else's would choose for us where a file goes.
    """
    place = os.path.realpath(root)
    inside = place.rstrip("/") + "/"
    for part in path.strip("/").split("/")[:-1]:
        place = os.path.join(place, part)
        try:
            status = os.lstat(place)
        except FileNotFoundError:
            continue
        if stat.S_ISLNK(status.st_mode):
            if status.st_uid not in (0, os.geteuid()):
                raise Refused(f"{path!r}: {place} is somebody's link — remove it first")
            place = os.path.realpath(place)
            if not place.startswith(inside):
                raise Refused(f"{path!r}: a link on the way leads out to {place} — remove it first")
            if not os.path.lexists(place):
                raise Refused(f"{path!r}: a link on the way leads nowhere — remove it first")
            status = os.lstat(place)
        if not stat.S_ISDIR(status.st_mode):
            raise Refused(f"{path!r}: {place} is no directory — remove it first")
    return os.path.join(place, os.path.basename(path))


def look(place: str) -> Found:
    """What is at ``place`` (a real path), links not followed."""
    try:
        status = os.lstat(place)
    except FileNotFoundError:
        return Found("missing")
    mode, uid, gid = stat.S_IMODE(status.st_mode), status.st_uid, status.st_gid
    if stat.S_ISLNK(status.st_mode):
        return Found("link", mode, uid, gid, target=os.readlink(place))
    if stat.S_ISDIR(status.st_mode):
        return Found("directory", mode, uid, gid)
    if not stat.S_ISREG(status.st_mode):
        return Found("other", mode, uid, gid)
    return Found("file", mode, uid, gid, sha256=digest_of(place))


def digest_of(place: str) -> str:
    """SHA-256 of a file."""
    with open(place, "rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def owner_ids(entry: Entry) -> tuple[int, int] | None:
    """User and group of an entry as numbers, None where this seat does not (yet) know them."""
    try:
        uid = int(entry.owner) if entry.owner.isdecimal() else pwd.getpwnam(entry.owner).pw_uid
        gid = int(entry.group) if entry.group.isdecimal() else grp.getgrnam(entry.group).gr_gid
    except KeyError:
        return None
    return uid, gid


def owner_names(found: Found) -> tuple[str, str]:
    """User and group of what was found, for a person; numbers where they have no name."""
    try:
        user = pwd.getpwuid(found.uid).pw_name
    except KeyError:
        user = str(found.uid)
    try:
        group = grp.getgrgid(found.gid).gr_name
    except KeyError:
        group = str(found.gid)
    return user, group
