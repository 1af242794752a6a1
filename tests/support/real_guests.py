"""Guests for libvirt's QEMU driver: small, without a disk, emulated."""

from __future__ import annotations

import json
import socket
from pathlib import Path
from typing import Any

from support.libvirtd import Daemon

DOMAIN = """
<domain type='qemu'>
  <name>{name}</name>
  <memory unit='MiB'>32</memory>
  <os><type arch='x86_64' machine='{machine}'>hvm</type></os>
  <on_crash>destroy</on_crash>
  <devices>
    <emulator>/usr/bin/qemu-system-x86_64</emulator>
    <memballoon model='none'/>
    {own}
    <graphics type='spice' autoport='yes' passwd='{password}'/>
    <video><model type='vga'/></video>
  </devices>
</domain>
"""
TABLET = "<controller type='usb' index='0' model='{model}'/><input type='tablet' bus='usb'/>"


def define(
    daemon: Daemon,
    name: str,
    *,
    machine: str = "q35",
    own: str = "",
    password: str = "its own password",
) -> None:
    """Define a guest as a person may have, with a password and none of our ports."""
    daemon.define(name, DOMAIN.format(name=name, machine=machine, own=own, password=password))


def define_all(daemon: Daemon, names: list[str]) -> None:
    """Define many such guests."""
    filled = {
        name: DOMAIN.format(name=name, machine="q35", own="", password="its own password")
        for name in names
    }
    daemon.define_all(filled)


def free_ports(count: int) -> list[int]:
    """TCP ports of loopback that are free now, each another one."""
    probes = [socket.create_server(("127.0.0.1", 0)) for _ in range(count)]
    numbers = [int(probe.getsockname()[1]) for probe in probes]
    for probe in probes:
        probe.close()
    return numbers


def qmp(daemon: Daemon, name: str, command: str, **arguments: object) -> Any:
    """Ask the guest's QEMU itself."""
    text = json.dumps({"execute": command, "arguments": arguments})
    return json.loads(daemon.virsh("qemu-monitor-command", name, text))["return"]


def usb(daemon: Daemon, name: str) -> list[str]:
    """What QEMU has on its USB controllers, a line each, as its monitor prints it."""
    text = daemon.virsh("qemu-monitor-command", "--hmp", name, "info usb")
    return [line.strip() for line in text.splitlines() if line.strip()]


def redirection_filter(daemon: Daemon, name: str, device: str) -> str:
    """The filter that a redirection port has in QEMU; ``device`` is libvirt's alias."""
    found = qmp(daemon, name, "qom-get", path=f"/machine/peripheral/{device}", property="filter")
    assert isinstance(found, str)
    return found


def process_list() -> str:
    """Every process of the machine with its whole command line and environment."""
    shown = []
    for folder in Path("/proc").glob("[0-9]*"):
        for name in ("cmdline", "environ"):
            try:
                shown.append(
                    (folder / name).read_bytes().replace(b"\0", b" ").decode("utf-8", "replace")
                )
            except OSError:  # it ended, or is somebody else's
                continue
    return "\n".join(shown)
