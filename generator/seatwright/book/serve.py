"""A book that follows its site while somebody edits it: a small server on this machine only.

It listens on the loopback address, answers two paths and nothing else, and only to a browser that
asked for it by a loopback name (a page from elsewhere cannot read it through a name of its own that
leads here).  The files are looked at twice a second; a page that was made anew has another
version, and the open book asks for the version and reloads itself.
"""

from __future__ import annotations

import hashlib
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from http import HTTPStatus
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

ADDRESS = "127.0.0.1"
NAMES = (ADDRESS, "localhost")
INTERVAL = 0.5
"""Seconds between two looks at the files."""

RENDERED = "rendered"
"""The folder beside the site's file that holds what was made from it."""

Make = Callable[[str], bytes]
"""Makes the page of a version."""


@dataclass(frozen=True, slots=True)
class Edition:
    """A page as it is served."""

    version: str
    page: bytes


def version_of(folder: Path) -> str:
    """A word that changes when one of the site's files does."""
    state = hashlib.sha256()
    for path in sorted(_files(folder)):
        try:
            found = path.stat()
        except FileNotFoundError:
            continue  # taken away since the folder was listed: the next look will differ
        state.update(f"{path}\0{found.st_mtime_ns}\0{found.st_size}\0{found.st_ino}\n".encode())
    return state.hexdigest()[:16]


def _files(folder: Path) -> Iterator[Path]:
    """Files a person writes; what was rendered from them may be large and does not count."""
    for path in folder.iterdir():
        if path.is_dir() and path.name != RENDERED and not path.name.startswith("."):
            yield from path.rglob("*.yml")
        elif path.suffix == ".yml":
            yield path


class BookServer(ThreadingHTTPServer):
    """Serves the latest edition. OSError where the port is taken; port 0 takes a free one."""

    daemon_threads = True

    def __init__(self, folder: Path, make: Make, port: int = 0) -> None:
        self._folder, self._make = folder, make
        version = version_of(folder)
        self.edition = Edition(version, make(version))
        super().__init__((ADDRESS, port), _Answer)
        self._stop = threading.Event()
        self._watcher = threading.Thread(target=self._watch, name="watcher", daemon=True)

    @property
    def address(self) -> str:
        """What to open in a browser."""
        return f"http://{ADDRESS}:{self.server_port}/"

    def run(self) -> None:
        """Serve until :meth:`stop` or an interruption."""
        self._watcher.start()
        try:
            self.serve_forever()
        finally:
            self._stop.set()
            self.server_close()

    def stop(self) -> None:
        """End :meth:`run` from another thread."""
        self._stop.set()
        self.shutdown()

    def _watch(self) -> None:
        while not self._stop.wait(INTERVAL):
            version = version_of(self._folder)
            if version != self.edition.version:
                self.edition = Edition(version, self._make(version))


class _Answer(BaseHTTPRequestHandler):
    """``/`` is the page, ``/version`` its version."""

    server: BookServer
    protocol_version = "HTTP/1.1"
    server_version = "seatwright"
    sys_version = ""

    def do_GET(self) -> None:
        """The one method that is answered."""
        edition = self.server.edition
        name = self.headers.get("Host", "").rpartition(":")[0]
        if name not in NAMES:
            self._send(HTTPStatus.MISDIRECTED_REQUEST, "text/plain", b"not this name\n")
        elif self.path == "/":
            self._send(HTTPStatus.OK, "text/html; charset=utf-8", edition.page)
        elif self.path == "/version":
            self._send(HTTPStatus.OK, "text/plain", edition.version.encode())
        else:
            self._send(HTTPStatus.NOT_FOUND, "text/plain", b"only / is here\n")

    def _send(self, status: HTTPStatus, kind: str, body: bytes) -> None:
        self.send_response(status)
        self.send_header("Content-Type", kind)
        self.send_header("Content-Length", str(len(body)))
        self.send_header("Cache-Control", "no-store")
        self.send_header("X-Content-Type-Options", "nosniff")
        self.send_header("X-Frame-Options", "DENY")
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, format: str, *arguments: object) -> None:
        """Requests are not worth a line."""
