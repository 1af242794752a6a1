"""What a seat is like right now, read without changing anything and without asking twice.

Standard library only: this runs on the seat.
"""

from __future__ import annotations

import json
import os
import re
import subprocess
import time
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from ansible.module_utils.seat_entries import OWN_PLACE
from ansible.module_utils.seat_manifest import read_manifest

LOOK = {
    "packages": {"type": "list", "elements": "str", "default": []},
    "stopped": {"type": "list", "elements": "str", "default": []},
    "model": {"type": "dict"},
}
"""Arguments of a look: what is wanted of the seat."""
KEEPER = "/usr/lib/seatwright/seat-keeper"
UNIT_PLACES = ("/etc/systemd/system/", "/etc/systemd/system.conf.d/")
LOGIND_PLACE = "/etc/systemd/logind.conf.d/"
UDEV_PLACE = "/etc/udev/rules.d/"
USB_NODES = re.compile(r"c189:\d+")
"""udev's record of a USB device node: 189 is the major number of usbdevfs (devices.txt)."""
NOTHING_TO_READ: Mapping[str, object] = {"reload": False, "restart_logind": False, "stop": []}
AHEAD = 60.0
"""A file from further in the future than this was written before the clock was set."""


def look_at(root: str, wanted: Mapping[str, Any]) -> tuple[dict[str, object], str]:
    """Everything a run decides by, and what went wrong with the keeper. Raises OSError."""
    paths = recorded_paths(root)
    without_systemd = offline(root)
    session, trouble = session_facts(root)
    systemd = NOTHING_TO_READ if without_systemd else systemd_facts(root, paths, wanted["stopped"])
    facts: dict[str, object] = {
        "offline": without_systemd,
        "packages_missing": missing_packages(root, wanted["packages"]),
        "systemd": systemd,
        "udev": udev_facts(root, paths),
        "session": session,
    }
    return facts, trouble


def model_facts(root: str, model: Mapping[str, Any] | None) -> dict[str, object] | None:
    """How the seat compares with its model; None where that was not asked."""
    if not model:
        return None
    # Only here: one task in four asks, and each reads its modules anew.
    from ansible.module_utils.seatwright.survey.check import check_model

    try:
        checked = check_model(model, offline=offline(root))
    except ValueError as error:
        return {"deferred": "", "unlike": [str(error)], "stops": True}
    return {
        "deferred": checked.deferred,
        "unlike": [one.sentence for one in checked.unlike],
        "stops": checked.stops and bool(model.get("must_match", True)),
    }


def missing_packages(root: str, wanted: Iterable[str]) -> list[str]:
    """Which of the packages dpkg does not have as installed."""
    wanted = list(wanted)
    if not wanted:
        return []
    names = "|".join(re.escape(name) for name in wanted)
    pattern = re.compile(
        rf"^Package: ({names})\n(?:(?!Package:|Status:).*\n)*Status: \S+ ok installed$", re.M
    )
    try:
        with open(os.path.join(root, "var/lib/dpkg/status"), encoding="utf-8") as file:
            installed = set(pattern.findall(file.read()))
    except FileNotFoundError:
        installed = set()
    return [name for name in wanted if name not in installed]


def offline(root: str) -> bool:
    """Whether no systemd runs here: an image that is being made, or a root that stands for one."""
    return (
        os.environ.get("SYSTEMD_OFFLINE") == "1"
        or root != "/"
        or not os.path.isdir("/run/systemd/system")
    )


def recorded_paths(root: str) -> list[str]:
    """Everything that the lists of seat_files have put on this seat."""
    place = os.path.join(root, OWN_PLACE.lstrip("/"))
    names = sorted(os.listdir(place)) if os.path.isdir(place) else []
    manifests = (read_manifest(root, one[:-5])[0] for one in names if one.endswith(".json"))
    return sorted({path for one in manifests if one for path in one.paths})


def newest(root: str, paths: Iterable[str], places: Sequence[str]) -> float:
    """When the last of the paths below ``places`` was written, in seconds of the clock; else 0."""
    times = [0.0]
    for path in paths:
        if path.startswith(tuple(places)):
            try:
                times.append(os.lstat(os.path.join(root, path.lstrip("/"))).st_mtime)
            except FileNotFoundError:
                continue
    return max(times)


def systemd_facts(root: str, paths: Sequence[str], stopped: Sequence[str]) -> dict[str, object]:
    """Whether systemd and logind still have to read what is on the disk, and what runs that must
    not.

    systemd reads its files when it starts and when it is told to reload; logind when it starts.
    """
    manager = _show("UserspaceTimestampMonotonic,UnitsLoadTimestampMonotonic")[0]
    units = {one.get("Id", ""): one for one in _show(_UNIT, "systemd-logind.service", *stopped)}
    logind = units.pop("systemd-logind.service", {})
    loaded = max(_clock(value) for value in manager.values()) if manager else 0.0
    running = logind.get("ActiveState") == "active"
    since = _clock(logind.get("ActiveEnterTimestampMonotonic", "0"))
    return {
        "reload": _later(newest(root, paths, UNIT_PLACES), loaded),
        "restart_logind": running and _later(newest(root, paths, (LOGIND_PLACE,)), since),
        "stop": sorted(name for name, one in units.items() if one.get("ActiveState") == "active"),
    }


_UNIT = "Id,ActiveState,ActiveEnterTimestampMonotonic"


def _show(properties: str, *units: str) -> list[dict[str, str]]:
    """Properties of systemd itself or of units; patterns stand for the units that are loaded."""
    command = ["systemctl", "show", f"--property={properties}", *units]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
    blocks = done.stdout.strip().split("\n\n") if done.stdout.strip() else []
    return [dict(line.split("=", 1) for line in one.splitlines() if "=" in line) for one in blocks]


def _clock(monotonic: str) -> float:
    """A moment that systemd gives in microseconds since the boot, as the clock has it now."""
    if not monotonic.isdecimal():
        return 0.0
    return time.time() - (time.clock_gettime(time.CLOCK_MONOTONIC) - int(monotonic) / 1e6)


def _later(written: float, read: float) -> bool:
    return read < written < time.time() + AHEAD


def udev_facts(root: str, paths: Sequence[str]) -> dict[str, bool]:
    """Whether udev runs, and has decided about every USB device since its rules were written.

    udev writes a device's record anew at every event. Where no device is there it reads changed
    rules by itself, at the next event.
    """
    running = os.path.exists(os.path.join(root, "run/udev/control"))
    data = os.path.join(root, "run/udev/data")
    names = os.listdir(data) if running and os.path.isdir(data) else []
    decided = [os.stat(os.path.join(data, one)).st_mtime for one in names if USB_NODES.match(one)]
    written = newest(root, paths, (UDEV_PLACE,))
    return {"running": running, "pending": bool(decided) and _later(written, min(decided))}


def session_facts(root: str) -> tuple[Mapping[str, object] | None, str]:
    """What the keeper says of the session (None: there is no keeper), and what went wrong."""
    keeper = os.path.join(root, KEEPER.lstrip("/"))
    if not os.path.exists(keeper):
        return None, ""
    command = [keeper, *(["--root", root] if root != "/" else []), "state", "--json"]
    try:
        done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
        value = json.loads(done.stdout)
    except (OSError, ValueError, subprocess.TimeoutExpired) as error:
        return None, f"{KEEPER} state: {error}"
    if done.returncode != 0 or not isinstance(value, dict):
        return None, f"{KEEPER} state: {(done.stderr or done.stdout).strip()[:400]}"
    return value, ""
