"""What a list of files has put on this seat: ``/var/lib/seatwright/files/LIST.json``.

::

    {"format": 1, "list": "seat_session", "session": true, "complete": true,
     "files": [{"path": "/etc/seatwright/session.json", "sha256": "...", "former": ["..."],
                "mode": "0644", "owner": "root", "group": "root"}],
     "links": [{"path": "/etc/systemd/system/ctrl-alt-del.target", "target": "/dev/null"}],
     "directories": ["/etc/seatwright"]}

``session``: these files are part of what the session runs with.  ``complete`` is false from before
the first file is written until after the last, so that a run that died in between is recognised;
such a manifest holds the old list and the new one together.  ``former`` are contents we put there
earlier: a file that holds one of them was not changed by a person.  ``directories`` are those that
did not exist before us.  Standard library only: this runs on the seat.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from ansible.module_utils.seat_entries import OWN_PLACE, Entry, plain_path
from ansible.module_utils.seat_write import write_whole

FORMAT = 1


@dataclass(frozen=True, slots=True)
class Record:
    """A file of ours: ``known`` are the SHA-256 it may have without a person having changed it."""

    path: str
    sha256: str
    former: tuple[str, ...]
    mode: str
    owner: str
    group: str

    def known(self, sha256: str | None) -> bool:
        """Whether a content is one that we put there."""
        return sha256 == self.sha256 or sha256 in self.former


@dataclass(frozen=True, slots=True)
class Manifest:
    """Everything one list has put on this seat, by path."""

    name: str
    session: bool
    complete: bool = True
    files: Mapping[str, Record] = field(default_factory=dict)
    links: Mapping[str, str] = field(default_factory=dict)
    directories: tuple[str, ...] = ()

    @property
    def paths(self) -> set[str]:
        """Files and links of this list."""
        return {*self.files, *self.links}

    @property
    def empty(self) -> bool:
        """Whether the list has nothing left on the seat."""
        return not (self.files or self.links or self.directories)


def manifest_place(root: str, name: str) -> str:
    """Where the manifest of a list is."""
    return os.path.join(root, OWN_PLACE.lstrip("/"), f"{name}.json")


def read_manifest(root: str, name: str) -> tuple[Manifest | None, str]:
    """The manifest of a list (None: there is none) and what was wrong with it, if anything.

    One that cannot be used counts as none: what it knew is then found out by comparing again, and
    only files that nobody wants any more stay behind, which the second value says.
    """
    place = manifest_place(root, name)
    try:
        with open(place, "rb") as file:
            return _parse(name, json.load(file)), ""
    except FileNotFoundError:
        return None, ""
    except (ValueError, TypeError, KeyError, RecursionError, OSError) as error:
        return None, f"{place} cannot be used ({error}): files it named may have been left behind"


def paths_of_others(root: str, name: str) -> set[str]:
    """Paths that other lists have on this seat: never removed on behalf of this one."""
    place = os.path.join(root, OWN_PLACE.lstrip("/"))
    names = os.listdir(place) if os.path.isdir(place) else []
    lists = sorted(one[:-5] for one in names if one.endswith(".json"))
    manifests = (read_manifest(root, one)[0] for one in lists if one != name)
    return {path for manifest in manifests if manifest for path in manifest.paths}


def wanted_manifest(
    name: str, session: bool, entries: Iterable[Entry], old: Manifest | None, made: Iterable[str]
) -> Manifest:
    """The manifest once every entry is in place; ``made`` are directories that we create."""
    entries = tuple(entries)
    files = {one.path: _record(one, old) for one in entries if one.state == "present"}
    links = {one.path: one.target or "" for one in entries if one.state == "link"}
    listed = {one.path for one in entries if one.state == "directory"}
    candidates = {*(old.directories if old else ()), *made}
    kept = [one for one in candidates if one in listed or _holds_any(one, {*files, *links})]
    return Manifest(name, session, True, files, links, tuple(sorted(kept)))


def both(old: Manifest | None, new: Manifest) -> Manifest:
    """Old and new list together, not complete: what holds while files are being written."""
    old = old or Manifest(new.name, new.session)
    return Manifest(
        name=new.name,
        session=new.session or old.session,
        complete=False,
        files={**old.files, **new.files},
        links={**old.links, **new.links},
        directories=tuple(sorted({*old.directories, *new.directories})),
    )


def write_manifest(root: str, manifest: Manifest) -> None:
    """Write it whole, for root's eyes (a hash of a short secret can be guessed)."""
    document = {
        "format": FORMAT,
        "list": manifest.name,
        "session": manifest.session,
        "complete": manifest.complete,
        "files": [_document(one) for _, one in sorted(manifest.files.items())],
        "links": [{"path": path, "target": to} for path, to in sorted(manifest.links.items())],
        "directories": list(manifest.directories),
    }
    place = manifest_place(root, manifest.name)
    os.makedirs(os.path.dirname(place), mode=0o755, exist_ok=True)
    write_whole(place, (json.dumps(document, indent=1) + "\n").encode(), 0o600)


def _record(entry: Entry, old: Manifest | None) -> Record:
    before = old.files.get(entry.path) if old else None
    known = (before.sha256, *before.former) if before else ()
    former = tuple(dict.fromkeys(one for one in known if one != entry.sha256))[:2]
    mode = f"{entry.mode:04o}"
    return Record(entry.path, entry.sha256 or "", former, mode, entry.owner, entry.group)


def _holds_any(directory: str, paths: set[str]) -> bool:
    return any(path.startswith(f"{directory}/") for path in paths)


def _document(record: Record) -> dict[str, object]:
    return {
        "path": record.path,
        "sha256": record.sha256,
        "former": list(record.former),
        "mode": record.mode,
        "owner": record.owner,
        "group": record.group,
    }


def _parse(name: str, document: dict[str, object]) -> Manifest:
    if document["format"] != FORMAT or document["list"] != name:
        raise ValueError("it is of another format or another list")
    files = [_parse_record(one) for one in _list(document["files"])]
    links = {str(one["path"]): str(one["target"]) for one in _list(document["links"])}
    directories = tuple(str(one) for one in _list(document["directories"]))
    if not all(plain_path(path) for path in (*(one.path for one in files), *links, *directories)):
        raise ValueError("a path in it is not in its plain form")
    return Manifest(
        name=name,
        session=document["session"] is True,
        complete=document["complete"] is True,
        files={one.path: one for one in files},
        links=links,
        directories=directories,
    )


def _parse_record(one: dict[str, object]) -> Record:
    former = tuple(str(sha256) for sha256 in _list(one["former"]))
    texts = [str(one[key]) for key in ("path", "sha256", "mode", "owner", "group")]
    return Record(texts[0], texts[1], former, *texts[2:])


def _list(value: object) -> list[dict[str, object]]:
    if not isinstance(value, list):
        raise TypeError("a list is missing")
    return value
