#!/usr/bin/python3
"""Ansible module: the units of guests under plain QEMU, and which of them are behind their files."""

from __future__ import annotations

DOCUMENTATION = r"""
module: guest_units
short_description: Enable the units of guests and restart those that are behind, where asked for
description:
  - A running guest is behind when it was started with another configuration, or when its password,
    a certificate or the unit is newer than its start. It is named with what differs, and restarted
    only where that is asked for, one guest at a time, and never while somebody is connected to its
    display. Missing redirection ports are added while it runs where that is asked for.
  - A guest that is off stays off; one that failed is named. After one that did not come up again no
    other is restarted.
options:
  guests: {description: TCP port of the display by name of the guest., type: dict, required: true}
  restart:
    description: Whether guests that are behind are restarted. They are asked to shut down; one that
      does not is left on (if-idle), or switched off (now).
    type: str
    choices: [never, if-idle, now]
    default: never
  written:
    description: In check mode, paths that are not written and would be.
    type: list
    elements: str
    default: []
  planned:
    description: In check mode, by path, what will be in the files that guests are started with.
    type: dict
    default: {}
  live_ports:
    description: Add redirection ports that are missing to running guests.
    type: bool
    default: false
  restart_connected:
    description: Restart a guest even while somebody is connected.
    type: bool
    default: false
author: [The seatwright project]
"""

EXAMPLES = r"""
- name: Enable the units
  guest_units:
    guests: {rr-01: 5901}
"""

RETURN = r"""
said:
  description: A sentence for each guest that is not as planned, and below it what differs.
  type: list
  returned: always
added: {description: By guest, the ports that were added while it runs., type: dict, returned: always}
restarted: {description: Guests that were restarted., type: list, returned: always}
"""

import os
import pwd
import time
from pathlib import Path

from ansible.module_utils import guest_qemu
from ansible.module_utils.basic import AnsibleModule

FILES = "/etc/seatwright/guests"
UNIT_FILE = "/etc/systemd/system/seatwright-guest@.service"
USER = "seatwright-guests"
USER_FILE = "/usr/lib/sysusers.d/seatwright-guests.conf"
STARTED = "/run/seatwright-guests/{0}/{0}"
"""Where the unit keeps what a guest was started with, without the ending."""
MONITOR = "/run/seatwright-guest-{}/qmp"
PROGRAM = "/usr/lib/seatwright/guest-monitor"
CONFIGURATION = (".cfg", ".options")
DATED = (".password", ".until")
SHARED = tuple(f"{FILES}/tls/{name}.pem" for name in ("ca-cert", "server-cert", "server-key"))
"""Read once at a guest's start, as its own files are."""
ARGUMENTS = {
    "guests": {"type": "dict", "required": True},
    "restart": {"type": "str", "choices": ["never", "if-idle", "now"], "default": "never"},
    "live_ports": {"type": "bool", "default": False},
    "restart_connected": {"type": "bool", "default": False},
    "written": {"type": "list", "elements": "str", "default": []},
    "planned": {"type": "dict", "default": {}},
}
COMES_UP = 3.0
"""Seconds for which a guest that was started again has to stay as it was started."""


class NotUp(Exception):
    """A guest did not come up again, so no other is touched."""


def main() -> None:
    module = AnsibleModule(ARGUMENTS, supports_check_mode=True)
    names = list(module.params["guests"])
    result: dict = {"changed": False, "said": [], "added": {}, "restarted": []}
    if names and module.check_mode and not os.path.exists(UNIT_FILE):
        result["changed"] = True  # they will be enabled, and none of them runs by a unit
    elif names:
        _enable(module, names, result)
        for number, name in enumerate(names):
            try:
                _look(module, name, result)
            except NotUp as trouble:
                left = ", ".join(names[number + 1 :]) or "none"
                said = f"{name} did not come up again: {trouble}. Not looked at: {left}."
                module.fail_json(msg=said, **result)
    module.exit_json(**result)


def _unit(name: str) -> str:
    return f"seatwright-guest@{name}.service"


def _systemctl(module: AnsibleModule, *words: str) -> str:
    _, output, _ = module.run_command(["systemctl", *words], check_rc=True)
    return output


def _shown(module: AnsibleModule, name: str) -> dict[str, str]:
    wanted = (
        "--property=ActiveState,SubState,MainPID,UnitFileState,NeedDaemonReload,"
        "ActiveEnterTimestamp"
    )
    text = _systemctl(module, "show", "--timestamp=unix", wanted, _unit(name))
    return dict(line.split("=", 1) for line in text.splitlines() if "=" in line)


def _enable(module: AnsibleModule, names: list[str], result: dict) -> None:
    """Make the guests' user, let systemd read the units anew, have them started with the host."""
    foreseen = module.check_mode
    try:
        pwd.getpwnam(USER)
    except KeyError:
        if not foreseen:
            module.run_command(["systemd-sysusers", USER_FILE], check_rc=True)
        result["changed"] = True
    if not foreseen and _shown(module, names[0])["NeedDaemonReload"] == "yes":
        _systemctl(module, "daemon-reload")
    off = [name for name in names if _shown(module, name)["UnitFileState"] != "enabled"]
    if off:
        if not foreseen:
            _systemctl(module, "enable", *map(_unit, off))
        result["changed"] = True


def _look(module: AnsibleModule, name: str, result: dict) -> None:
    if not os.path.exists(f"{FILES}/{name}.machine.cfg"):
        result["said"].append(
            f"{name}: there is no {FILES}/{name}.machine.cfg; describe its machine there first"
        )
        return
    shown = _shown(module, name)
    if shown["ActiveState"] == "failed" or shown["SubState"] == "auto-restart":
        result["said"].append(f"{name}: it failed, see journalctl -u {_unit(name)}")
    if shown["ActiveState"] != "active":
        return
    _add_ports(module, name, result)
    added = {f"+ {line}" for line in result["added"].get(name, ())}
    behind = _behind(module, name, shown["ActiveEnterTimestamp"], added)
    if not behind:
        return
    held = _held_back(module, name)
    if not held and not module.check_mode:
        held = _restart(module, name)
    if held:
        result["said"] += [f"{name}: running with earlier files ({held})", *behind]
        return
    result["changed"] = True
    result["restarted"].append(name)


def _restart(module: AnsibleModule, name: str) -> str:
    """Why it runs on after all; nothing where it was started again. Raises NotUp."""
    if module.params["restart"] == "if-idle":
        module.run_command([PROGRAM, "power-down", MONITOR.format(name)])
        if _shown(module, name)["ActiveState"] == "active":
            return (
                "not restarted: it was asked to shut down and has not; if it does later, it stays off"
            )
    status, _, errors = module.run_command(["systemctl", "restart", _unit(name)])
    if status != 0:
        raise NotUp(errors.strip())
    began = _shown(module, name)
    until = time.monotonic() + COMES_UP
    while time.monotonic() < until:
        now = _shown(module, name)
        if now["ActiveState"] != "active" or now["MainPID"] != began["MainPID"]:
            raise NotUp(f"its QEMU ended, see journalctl -u {_unit(name)}")
        time.sleep(0.3)
    return ""


def _texts(module: AnsibleModule, name: str, ending: str) -> tuple[str, str] | None:
    """What it was started with and what is planned; None where an earlier unit started it."""
    started, path = Path(STARTED.format(name) + ending), f"{FILES}/{name}{ending}"
    if not started.exists():
        return None
    planned = module.params["planned"].get(path)
    return started.read_text(), Path(path).read_text() if planned is None else planned


def _missing(module: AnsibleModule, name: str) -> dict[str, dict[str, str]]:
    texts = _texts(module, name, ".cfg")
    return guest_qemu.ports_to_add(*texts) if texts else {}


def _add_ports(module: AnsibleModule, name: str, result: dict) -> None:
    """Each port by itself: what was added is remembered even where the next one fails."""
    missing = _missing(module, name) if module.params["live_ports"] else {}
    for port, values in missing.items():
        if not module.check_mode:
            try:
                guest_qemu.add_port(MONITOR.format(name), port, values)
            except guest_qemu.NotAdded as problem:
                result["said"].append(f"{name}: {port} was not added while it runs: {problem}")
                return
            started, planned = _texts(module, name, ".cfg") or ("", "")
            now = guest_qemu.with_port(started, planned, port)
            Path(STARTED.format(name) + ".cfg").write_text(now)
        result["changed"] = True
        result["added"].setdefault(name, []).append(guest_qemu.port_line(values))


def _behind(module: AnsibleModule, name: str, started: str, added: set[str]) -> list[str]:
    """A line for each thing that it was not started with; systemd writes its start as @seconds.

    Check mode has ``added`` nothing, and what it would have added does not count.
    """
    lines, dated = [], [*(f"{FILES}/{name}{ending}" for ending in DATED), *SHARED, UNIT_FILE]
    live = [f"+ {guest_qemu.port_line(values)}" for values in _missing(module, name).values()]
    for ending in CONFIGURATION:
        texts = _texts(module, name, ending)
        if texts is None:
            dated.append(f"{FILES}/{name}{ending}")
        else:
            lines += [line for line in guest_qemu.differences(*texts) if line not in added]
    end = int(started.removeprefix("@")) + 1
    late = [f"  {file} is newer than its start" for file in dated if _written(module, file) >= end]
    how = " (can be done while it runs, with guest_units_live_ports)"
    return [f"  {line}{how if line in live else ''}" for line in lines] + late


def _written(module: AnsibleModule, file: str) -> float:
    """When; a file that check mode did not write would be the newest of all."""
    foreseen = file in module.params["written"] or not os.path.exists(file)
    return float("inf") if foreseen else os.stat(file).st_mtime


def _held_back(module: AnsibleModule, name: str) -> str:
    """Why it is not restarted; nothing where it is."""
    if module.params["restart"] == "never":
        return "not restarted, nobody asked for it"
    port = int(module.params["guests"][name])
    look = ["ss", "-tnH", "state", "established", f"( sport = :{port} )"]
    _, output, _ = module.run_command(look, check_rc=True)
    if output.strip() and not module.params["restart_connected"]:
        return "not restarted: somebody is connected"
    return ""


if __name__ == "__main__":
    main()
