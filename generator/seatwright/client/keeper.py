"""The keeper: remembers with which files the session came up, goes back to them, restarts it.

Runs as root, called by the session's units and by the installer.  Each command prints one line
(JSON for ``state --json`` and ``restart``) and ends with 0 (done), 1 (not as wanted) or 2 (wrong
use).  It can be killed at any moment: what it writes is whole, what it was doing is done again by
the next one.

    digest      the digest of the files the session depends on
    started     before a start: remember the digest, refuse files that did not come up before
    keep        after a start: copy the files aside, once the session stayed up for a moment
    fall-back   after failed starts: put the copy back and start again
    state       everything known, for the installer
    stop        end the session in order: the compositor itself fails when it is told to end
    restart     restart the session now, when idle, or not at all; says what it did
    support     show devices and log on the screen for some minutes
    check       whether a session.json or a rules.json can be used, before it goes live
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import signal
import sys
import time
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path

from seatwright.client.bytecode import keep_bytecode
from seatwright.client.config import ConfigError, read_rules, read_session
from seatwright.client.facts import MODES, Action, Facts, decide_restart
from seatwright.client.files import read_small, remove, write_atomic, write_json
from seatwright.client.goodcopy import GoodCopyError, check, keep, read_index, restore
from seatwright.client.layout import Layout
from seatwright.client.manifest import ManifestError, digest, read_manifests, session_paths
from seatwright.client.processes import children, lives, stays
from seatwright.client.runfiles import (
    LONGEST_SUPPORT,
    METRICS,
    RESTART_WANTED,
    STARTED,
    STATE,
    SUPPORT,
    begin_support,
    boot_clock,
    support_left,
)
from seatwright.client.services import RUNNING, Services
from seatwright.client.state import read_idle

REMEMBERED = 20
"""How many refused digests are kept."""
SETTLE = 5.0
PAUSE = 30.0
FALL_BACK_WAIT = 150.0
STOP_WAIT = 8.0
POLL = 0.5


class Keeper:
    """The commands, on one root."""

    def __init__(self, layout: Layout, services: Services) -> None:
        self._layout = layout
        self._services = services

    def digest(self) -> str:
        """The digest of what is on the disk. Raises ManifestError, OSError."""
        return digest(self._layout.root, session_paths(read_manifests(self._layout.manifests)))

    def facts(self) -> Facts:
        """Everything known. Raises ManifestError, OSError."""
        run = self._layout.run
        return Facts(
            disk=self.digest(),
            started=self._started_with(),
            good=self._good_digest(),
            refused=self._refused(),
            session=self._services.session(),
            idle=read_idle(run / STATE),
            restart_wanted=(run / RESTART_WANTED).exists(),
            support_seconds=round(support_left(run, 0.0, boot_clock())),
        )

    def started(self) -> int:
        """Before a start. A start is only refused where the copy is there to go back to."""
        self._layout.make_run()
        with self._layout.locked():
            if self._layout.falling_back.exists() and self._put_good_back():
                return _say(1, "an interrupted way back is finished; start again")
            now = self.digest()
            if now in self._refused() and self._good_digest() not in (None, now):
                return _say(1, f"files {now[:12]} did not come up before; going back")
            write_atomic(self._layout.run / STARTED, now.encode() + b"\n", durable=False)
            for name in (STATE, METRICS):  # of the session before: they say nothing of this one
                remove(self._layout.run / name)
            return _say(0, f"starting with files {now[:12]}")

    def keep(self, settle: float) -> int:
        """After a start. Copies nothing where the session ends within ``settle`` seconds."""
        if not stays(os.environ.get("MAINPID", ""), settle):
            return _say(1, "the session ended right after it came up")
        keep_bytecode(self._layout.programs)
        began = self._started_with()
        if began is None:
            return _say(0, "nobody noted what the session started with; nothing kept")
        with self._layout.locked():
            new = keep(self._layout, began)
            if began in self._refused():
                self._write_refused(tuple(one for one in self._refused() if one != began))
        return _say(0, f"files {began[:12]} {'are kept' if new else 'were kept already'}")

    def fall_back(self, pause: float) -> int:
        """After failed starts. Where there is nothing to go back to: try again after a pause."""
        if self._services.session() in RUNNING:
            return _say(0, "the session runs")
        with self._layout.locked():
            back = self._has_to_go_back() and self._put_good_back()
        if not back:
            time.sleep(pause)
        if self._services.session() not in RUNNING:
            self._services.restart_session(wait=False)
        return _say(0, "went back to the files kept before" if back else "nothing to go back to")

    def restart(self, mode: str, *, insist: bool, files_read: bool, wait: float) -> int:
        """Decide and do; prints {"did", "why", "outcome", "disk", "started"}.

        ``files_read``: systemd has read its files since they were written.
        """
        facts = self.facts()
        action, why = decide_restart(facts, mode, insist=insist)
        outcome = None
        if action is Action.WAIT:
            self._layout.make_run()
            write_atomic(self._layout.run / RESTART_WANTED, b"", durable=False)
            self._services.restart_timer(True)
        elif facts.restart_wanted:
            remove(self._layout.run / RESTART_WANTED)
            self._services.restart_timer(False)
        if action in (Action.START, Action.RESTART):
            outcome = self._restart_now(facts, files_read, wait)
        result = {"did": action, "why": why, "outcome": outcome}
        print(json.dumps({**result, "disk": facts.disk, "started": self._started_with()}))
        return 1 if action is Action.REFUSE or outcome in ("down", "fell-back") else 0

    def stop(self, wait: float) -> int:
        """End what the compositor shows (systemd names it MAINPID); it then ends by itself."""
        main = os.environ.get("MAINPID", "")
        if not main.isdecimal():
            return _say(0, "the compositor has ended already")
        for child in children(int(main)):
            with contextlib.suppress(ProcessLookupError):
                os.kill(child, signal.SIGTERM)
        until = time.monotonic() + wait
        while lives(int(main)) and time.monotonic() < until:
            time.sleep(0.05)
        return _say(0, "the session has ended")

    def support(self, minutes: int) -> int:
        """Support mode for ``minutes``; 0 ends it."""
        if minutes == 0:
            remove(self._layout.run / SUPPORT)
            return _say(0, "support mode is off")
        self._layout.make_run()
        begin_support(self._layout.run, minutes, boot_clock())
        return _say(0, f"support mode for {minutes} min")

    def _restart_now(self, facts: Facts, files_read: bool, wait: float) -> str:
        """``up``, ``fell-back`` or ``down``."""
        if facts.disk in facts.refused:
            with self._layout.locked():
                self._write_refused(tuple(one for one in facts.refused if one != facts.disk))
        self._services.apply_files(systemd=not files_read)
        if self._services.restart_session(wait=True):
            return "up"
        until = time.monotonic() + wait
        while time.monotonic() < until:
            time.sleep(POLL)
            if self._services.session() == "active":
                return "up" if self.digest() == facts.disk else "fell-back"
        return "down"

    def _has_to_go_back(self) -> bool:
        """Only from files that were tried: newer ones that nobody started yet get their turn."""
        if self._layout.falling_back.exists():
            return True
        now = self.digest()
        tried = now in self._refused() or self._started_with() in (None, now)
        return tried and self._good_digest() not in (None, now)

    def _put_good_back(self) -> bool:
        """Restore the copy; False where it is damaged, then nothing has changed.

        The note that says so comes first and goes last, so that whoever comes next can finish.
        """
        try:
            index = read_index(self._layout.good)
            if index is None:
                raise GoodCopyError("there is no copy to go back to")
            check(self._layout, index)
        except GoodCopyError as error:
            print(f"seat-keeper: {error}", file=sys.stderr)
            remove(self._layout.falling_back)
            return False
        if not self._layout.falling_back.exists():
            failed = self.digest()
            self._refuse(failed)
            write_json(self._layout.falling_back, {"failed": failed})
        restore(self._layout, index)
        self._services.apply_files()
        remove(self._layout.run / STARTED)
        remove(self._layout.falling_back)
        return True

    def _good_digest(self) -> str | None:
        """A damaged copy is none."""
        try:
            index = read_index(self._layout.good)
        except GoodCopyError as error:
            print(f"seat-keeper: {error}", file=sys.stderr)
            return None
        return None if index is None else index.digest

    def _started_with(self) -> str | None:
        """Only believed where the keeper itself wrote it: the session's user shares the place."""
        try:
            text = read_small(self._layout.run / STARTED, owner=os.geteuid())
            return text.decode("ascii").strip() or None
        except (OSError, UnicodeDecodeError):
            return None

    def _refused(self) -> tuple[str, ...]:
        try:
            return tuple(self._layout.refused.read_text("ascii").split())
        except (OSError, UnicodeDecodeError):
            return ()

    def _refuse(self, failed: str) -> None:
        others = tuple(one for one in self._refused() if one != failed)
        self._write_refused((*others, failed)[-REMEMBERED:])

    def _write_refused(self, digests: tuple[str, ...]) -> None:
        write_atomic(self._layout.refused, "".join(f"{one}\n" for one in digests).encode())


def _say(status: int, line: str) -> int:
    print(line)
    return status


def _show_state(keeper: Keeper, as_json: bool) -> int:
    facts = keeper.facts()
    values = {"format": 1, **asdict(facts), "pending": facts.pending}
    if as_json:
        print(json.dumps(values, sort_keys=True))
    else:
        for name, value in sorted(values.items()):
            print(f"{name}: {value}")
    return 0


def _check(kind: str, file: Path) -> int:
    try:
        _READERS[kind](file)
    except ConfigError as error:
        return _say(1, str(error))
    return _say(0, f"{file} can be used")


_READERS: dict[str, Callable[[Path], object]] = {"session": read_session, "rules": read_rules}


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="seat-keeper", description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--root", type=Path, default=Path("/"), help="work below this directory")
    parser.add_argument("--systemctl", help="the systemctl to call (with --root: else none)")
    parser.add_argument("--udevadm", default="udevadm", help="the udevadm to call")
    commands = parser.add_subparsers(dest="command", required=True)
    commands.add_parser("digest")
    commands.add_parser("started")
    commands.add_parser("keep").add_argument("--settle", type=float, default=SETTLE)
    commands.add_parser("fall-back").add_argument("--pause", type=float, default=PAUSE)
    commands.add_parser("stop").add_argument("--wait", type=float, default=STOP_WAIT)
    commands.add_parser("state").add_argument("--json", action="store_true")
    restart = commands.add_parser("restart")
    restart.add_argument("--mode", choices=MODES, required=True)
    restart.add_argument("--insist", action="store_true", help="try refused files once more")
    restart.add_argument("--files-read", action="store_true", help="systemd has read its files")
    restart.add_argument(
        "--wait", type=float, default=FALL_BACK_WAIT, help="seconds for a way back"
    )
    commands.add_parser("support").add_argument(
        "--minutes", type=int, required=True, choices=range(LONGEST_SUPPORT + 1), metavar="N"
    )
    checked = commands.add_parser("check")
    checked.add_argument("kind", choices=sorted(_READERS))
    checked.add_argument("file", type=Path)
    return parser


def main(arguments: list[str] | None = None) -> int:
    """Run one command; returns its exit status."""
    options = _parser().parse_args(arguments)
    layout = Layout(options.root)
    running = options.root == Path("/")
    services = Services(
        layout, options.systemctl or ("systemctl" if running else None), options.udevadm
    )
    keeper = Keeper(layout, services)
    commands: dict[str, Callable[[], int]] = {
        "digest": lambda: _say(0, keeper.digest()),
        "started": keeper.started,
        "keep": lambda: keeper.keep(options.settle),
        "fall-back": lambda: keeper.fall_back(options.pause),
        "stop": lambda: keeper.stop(options.wait),
        "state": lambda: _show_state(keeper, options.json),
        "restart": lambda: keeper.restart(
            options.mode, insist=options.insist, files_read=options.files_read, wait=options.wait
        ),
        "support": lambda: keeper.support(options.minutes),
        "check": lambda: _check(options.kind, options.file),
    }
    try:
        return commands[options.command]()
    except (GoodCopyError, ManifestError, OSError) as error:
        print(f"seat-keeper {options.command}: {error}", file=sys.stderr)
        return _even_so(options.command)


def _even_so(command: str) -> int:
    """Bookkeeping that fails never keeps a session from starting."""
    return 0 if command in ("started", "keep") else 1


if __name__ == "__main__":
    sys.exit(main())
