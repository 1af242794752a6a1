"""Asking the programs that will read a file whether they can, before it goes live.

A validation is a command with ``%s`` for the file. It runs on a copy with the file's own name in a
directory of its own, and only where the seat has the program. Units are asked about together, for
they name each other. Standard library only: this runs on the seat.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import tempfile
from collections.abc import Iterable, Sequence

from ansible.module_utils.seat_changes import Change
from ansible.module_utils.seat_entries import Entry, real_path

UDEV_CHECK = ("udevadm", "verify")
UDEV_CHECK_SINCE = 254
"""The version of systemd that brought it."""
UNIT_CHECK = ("systemd-analyze", "verify")
UNIT_FLAGS = ("--man=no", "--recursive-errors=no")
UNIT_DIRECTORIES = ("/etc/systemd/system", "/usr/lib/systemd/system", "/lib/systemd/system")
SEARCH = "/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin"
TIMEOUT = 60
NOT_THERE_YET = "No such file or directory"


class Invalid(Exception):
    """What the programs said about the files, a line each."""


def validate(
    root: str, entries: Sequence[Entry], changes: Sequence[Change], check: bool
) -> tuple[str, ...]:
    """Validate every file that is about to be written; programs that the seat does not have.

    ``check``: in check mode nothing is installed, so that a unit's program may be missing without
    that being the unit's fault.  Raises Invalid, OSError.
    """
    written = {one.path for one in changes if one.kind == "write"}
    asked = [one for one in entries if one.path in written and one.validate]
    absent = {one.validate[:2] for one in asked if not _available(one.validate)}
    asked = [one for one in asked if one.validate[:2] not in absent]
    units = any(one.validate[:2] == UNIT_CHECK for one in asked)
    problems: list[str] = []
    with tempfile.TemporaryDirectory(prefix="seatwright-") as scratch:
        for number, entry in enumerate(asked):
            if entry.validate[:2] != UNIT_CHECK:
                problems += _ask(entry, os.path.join(scratch, str(number)))
        if units:
            problems += _ask_units(root, entries, os.path.join(scratch, "units"), check)
    if problems:
        raise Invalid("\n".join(problems))
    return tuple(sorted(" ".join(words) for words in absent))


def _available(words: Sequence[str]) -> bool:
    """Whether the seat has the program, and a version of it that can do this."""
    if _program(words[0]) is None:
        return False
    if tuple(words[:2]) != UDEV_CHECK:
        return True
    version = _run([_program(words[0]) or words[0], "--version"])[1].strip()
    return version.isdecimal() and int(version) >= UDEV_CHECK_SINCE


def _program(name: str) -> str | None:
    return shutil.which(name, path=SEARCH)


def _ask(entry: Entry, directory: str) -> list[str]:
    os.mkdir(directory)
    copy = os.path.join(directory, os.path.basename(entry.path))
    _write(copy, entry.content or b"")
    words = [word.replace("%s", copy) for word in entry.validate]
    status, text = _run([_program(words[0]) or words[0], *words[1:]])
    lines = [line.replace(copy, entry.path) for line in text.splitlines() if line.strip()]
    if status == 0:
        return []
    said = lines or [f"{words[0]} refuses it with exit status {status} and says nothing"]
    if entry.sensitive:
        said = [f"{words[0]} refuses it; what it said is not shown, for the file is secret"]
    return [f"{entry.path}: {line}" for line in said]


def _ask_units(root: str, entries: Sequence[Entry], directory: str, check: bool) -> list[str]:
    """All units of the list at once, in a directory that comes first in systemd's search path.

    The program takes what it does not know for a warning and says so on stderr only, with exit
    status 0: every line counts that is not about a unit of somebody else's.
    """
    copies = dict(_copy_units(root, entries, directory))
    names = _units_to_ask(entries, copies)
    if not names:
        return []
    command = [_program(UNIT_CHECK[0]) or UNIT_CHECK[0], UNIT_CHECK[1], *UNIT_FLAGS, *names]
    environment = {"SYSTEMD_UNIT_PATH": f"{directory}:"}
    status, text = _run(command, environment)
    ours = {os.path.basename(name) for name in names}
    said = [line for line in text.splitlines() if line and not _about_others(line, ours)]
    if status != 0 and not said:
        said = text.splitlines() or [f"{UNIT_CHECK[0]} refuses the units, exit status {status}"]
    if check:
        said = [line for line in said if not line.endswith(NOT_THERE_YET)]
    return [line.replace(f"{directory}/", "") for line in said]


OF_A_UNIT = re.compile(r"(?:\S*/)?([\w@:.\\-]+\.(?:service|socket|target|timer|mount|path|slice|scope))\b")


def _about_others(line: str, ours: Iterable[str]) -> bool:
    """Whether a line begins with the name or the place of a unit that is not one of ours."""
    found = OF_A_UNIT.match(line)
    return found is not None and found[1] not in ours


def _copy_units(root: str, entries: Sequence[Entry], directory: str) -> Iterable[tuple[str, str]]:
    """Copies of all files of the list that systemd reads as units, by path."""
    for entry in entries:
        place = next((one for one in UNIT_DIRECTORIES if entry.path.startswith(f"{one}/")), None)
        if place is None or entry.state != "present":
            continue
        copy = os.path.join(directory, os.path.relpath(entry.path, place))
        os.makedirs(os.path.dirname(copy), exist_ok=True)
        _write(copy, _content(root, entry))
        yield entry.path, copy


def _content(root: str, entry: Entry) -> bytes:
    if entry.content is not None:
        return entry.content
    with open(real_path(root, entry.path), "rb") as file:
        return file.read()


def _units_to_ask(entries: Sequence[Entry], copies: dict[str, str]) -> list[str]:
    """Our own units by their copies; a drop-in by the unit that it changes, where there is one."""
    names: list[str] = []
    for entry in entries:
        copy = copies.get(entry.path)
        if copy is None or entry.validate[:2] != UNIT_CHECK:
            continue
        parent = os.path.dirname(copy)
        name = parent[:-2] if parent.endswith(".d") else copy
        if name != copy and not os.path.exists(name):
            name = os.path.basename(name)
            if not any(os.path.exists(os.path.join(one, name)) for one in UNIT_DIRECTORIES):
                continue
        if name not in names:
            names.append(name)
    return names


def _write(place: str, data: bytes) -> None:
    with open(place, "wb") as file:
        file.write(data)


def _run(words: Sequence[str], environment: dict[str, str] | None = None) -> tuple[int, str]:
    """Exit status and everything said, in English whatever the seat's language is."""
    env = {"PATH": SEARCH, "LC_ALL": "C.UTF-8", "SYSTEMD_LOG_TARGET": "console"}
    try:
        done = subprocess.run(
            list(words),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            env={**env, **(environment or {})},
            timeout=TIMEOUT,
            check=False,
        )
    except subprocess.TimeoutExpired:
        return 1, f"{words[0]} did not answer within {TIMEOUT} s"
    return done.returncode, done.stdout.decode("utf-8", "replace")
