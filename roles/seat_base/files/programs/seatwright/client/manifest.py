"""What is installed on this seat, and its digest.

Whoever installs files leaves ``/var/lib/seatwright/files/LIST.json`` for each list of them::

    {"format": 1, "list": "seat_session", "session": true,
     "files": [{"path": "/etc/seatwright/session.json", ...}, ...],
     "links": [{"path": "/etc/systemd/system/x.target", "target": "/dev/null"}, ...]}

``session`` says that the session has to be restarted to see a change in one of these files (and
that they are kept and restored together); ``path`` is absolute without ``..``; ``links`` are
symbolic and may be left out.  Further keys are the installer's own and are ignored here.  The
digest is taken from what is on the disk, so that a change by hand counts as one.
"""

from __future__ import annotations

import hashlib
import json
import os
import stat
from dataclasses import dataclass
from pathlib import Path

from seatwright.client.files import Owner

FORMAT = 1


class ManifestError(Exception):
    """A manifest that cannot be used; the text is one line."""


@dataclass(frozen=True, slots=True)
class Manifest:
    """One list of installed files: absolute paths as on the seat."""

    name: str
    session: bool
    paths: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Content:
    """What was found: a regular file's SHA-256 and whose it is, or a symbolic link's target."""

    sha256: str
    owner: Owner
    target: str | None = None


def link_to(target: str) -> Content:
    """A symbolic link; it has no content and nobody's rights matter."""
    return Content("", Owner(0, 0, 0), target)


def read_manifests(directory: Path) -> tuple[Manifest, ...]:
    """All manifests by name; a directory that is not there holds none.

    Raises ManifestError, OSError.
    """
    if not directory.is_dir():
        return ()
    return tuple(_read(path) for path in sorted(directory.glob("*.json")))


def session_paths(manifests: tuple[Manifest, ...]) -> tuple[str, ...]:
    """Paths the session depends on, sorted."""
    return tuple(sorted({path for one in manifests if one.session for path in one.paths}))


def look(path: Path) -> Content | None:
    """What is at ``path``, None where nothing is.

    Raises ManifestError for what is neither a file nor a link.
    """
    try:
        if path.is_symlink():
            return link_to(os.readlink(path))
        descriptor = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
    except (FileNotFoundError, NotADirectoryError):
        return None
    except OSError as error:
        raise ManifestError(f"{path}: cannot be read: {error.strerror}") from None
    with os.fdopen(descriptor, "rb") as file:
        status = os.fstat(file.fileno())
        if not stat.S_ISREG(status.st_mode):
            raise ManifestError(f"{path}: is not a regular file")
        digest = hashlib.file_digest(file, "sha256").hexdigest()
    return Content(digest, Owner(status.st_uid, status.st_gid, stat.S_IMODE(status.st_mode)))


def digest(root: Path, paths: tuple[str, ...]) -> str:
    """SHA-256 over path, owner, mode and content of each file; a missing one counts as missing."""
    whole = hashlib.sha256()
    for path in sorted(paths):
        whole.update(describe(path, look(root / path.lstrip("/"))).encode())
    return whole.hexdigest()


def describe(path: str, content: Content | None) -> str:
    """The line of one file in the digest."""
    if content is None:
        return f"{json.dumps(path)} absent\n"
    if content.target is not None:
        return f"{json.dumps(path)} -> {json.dumps(content.target)}\n"
    owner = content.owner
    return f"{json.dumps(path)} {owner.uid} {owner.gid} {owner.mode:o} {content.sha256}\n"


def _read(path: Path) -> Manifest:
    try:
        data = json.loads(path.read_bytes())
        entries = (*data["files"], *data.get("links", ()))
        paths = tuple(_path(entry["path"]) for entry in entries)
        if data["format"] != FORMAT or type(data["session"]) is not bool:
            raise ValueError("format must be 1 and session true or false")
    except (ValueError, TypeError, KeyError, RecursionError) as error:
        raise ManifestError(f"{path}: is no manifest: {error!r}") from None
    return Manifest(path.stem, data["session"], paths)


def _path(text: object) -> str:
    if not isinstance(text, str) or not text.startswith("/") or os.path.normpath(text) != text:
        raise ValueError(f"{text!r} is not an absolute path in its plain form")
    return text
