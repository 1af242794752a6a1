"""Clients played as directories that look like /sys and /proc.

Shapes from Linux Documentation/ABI (sysfs-bus-usb, sysfs-class-net, sysfs-block) and proc(5); all
ids and words are invented.
"""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

HUB = ("09", "00", "00", "hub")
STORAGE = ("08", "06", "50", "usb-storage")
NETWORK = (("02", "06", "00", "cdc_ether"), ("0a", "00", "00", "cdc_ether"))
KEYBOARD = ("03", "01", "01", "usbhid")
MOUSE = ("03", "01", "02", "usbhid")
CARDS = ("0b", "00", "00", "")
ALL_LETTERS = "fffffffffffffffe"


@dataclass(frozen=True)
class Usb:
    """One USB device; ``name`` is its port path, or usb1 for a root hub."""

    name: str
    id: str = "1209:0003"
    interfaces: Sequence[tuple[str, str, str, str]] = (STORAGE,)
    device_class: str = "00"
    bcd: str = "0100"
    speed: str = "480"
    children: int = 0
    removable: str = "unknown"
    maker: str = ""
    title: str = ""


def hub(name: str, children: int = 4, **others: str) -> Usb:
    """A hub; a root hub where the name says so."""
    id_ = "1d6b:0002" if name.startswith("usb") else "1209:0001"
    return Usb(
        name, **{"id": id_, **others}, interfaces=(HUB,), device_class="09", children=children
    )  # type: ignore[arg-type]


@dataclass(frozen=True)
class Client:
    """A client. ``on`` is the USB device that something hangs on, None for other hardware.

    ``nets``: (name, on, lower interfaces, attributes); ``blocks``: (name, number, on, lower names,
    attributes); ``inputs``: (name, on, attributes); ``ports``: (hub's port, connect_type, peer).
    """

    usb: Sequence[Usb] = ()
    ports: Sequence[tuple[str, str, str]] = ()
    nets: Sequence[tuple[str, str | None, Sequence[str], Mapping[str, str]]] = ()
    blocks: Sequence[tuple[str, str, str | None, Sequence[str], Mapping[str, str]]] = ()
    inputs: Sequence[tuple[str, str, Mapping[str, str]]] = ()
    routes: Sequence[tuple[str, str, str, int]] = ()
    mounts: Sequence[str] = ()
    swaps: Sequence[str] = ()
    machine: str = ""
    links: Mapping[str, str] = field(default_factory=dict)


def device_place(name: str) -> str:
    """Where a USB device is below /sys."""
    bus = name.removeprefix("usb").partition("-")[0]
    parts = [f"usb{bus}"]
    if "-" in name:
        ports = name.partition("-")[2].split(".")
        parts += [f"{bus}-{'.'.join(ports[: depth + 1])}" for depth in range(len(ports))]
    return "devices/pci0000:00/0000:00:14.0/" + "/".join(parts)


def interface_name(usb: Usb, number: int) -> str:
    prefix = f"{usb.name[3:]}-0" if usb.name.startswith("usb") else usb.name
    return f"{prefix}:1.{number}"


def lay_out(client: Client, root: Path) -> Path:
    """The directories of a client below ``root``; returns the one that stands for /sys."""
    sys = root / "sys"
    for usb in client.usb:
        _usb(sys, usb)
    for name, kind, peer in client.ports:
        _port(sys, name, kind, peer)
    for net in client.nets:
        _net(sys, *net)
    for block in client.blocks:
        _block(sys, *block)
    for name, on, attributes in client.inputs:
        place = f"{device_place(on)}/{on}:1.0/0003:1209:0001.0001/input/{name}"
        write(sys / place, attributes)
        link(sys, f"class/input/{name}", place)
    if client.machine:
        write(sys / "firmware/devicetree/base", {"model": client.machine})
    _proc(root / "proc", client)
    for name, target in client.links.items():
        link(sys, name, target)
    return sys


def _usb(sys: Path, usb: Usb) -> None:
    place = device_place(usb.name)
    bus = usb.name.removeprefix("usb").partition("-")[0]
    vendor, product = usb.id.split(":")
    attributes = {
        "busnum": bus,
        "devnum": str(1 + sum(usb.name.encode()) % 100),
        "idVendor": vendor,
        "idProduct": product,
        "bcdDevice": usb.bcd,
        "bDeviceClass": usb.device_class,
        "bDeviceSubClass": "00",
        "bDeviceProtocol": "00",
        "bConfigurationValue": "1",
        "bNumInterfaces": f" {len(usb.interfaces)}",
        "speed": usb.speed,
        "maxchild": str(usb.children),
        "removable": usb.removable,
    }
    words = {"manufacturer": usb.maker, "product": usb.title}
    write(sys / place, attributes | {key: text for key, text in words.items() if text})
    link(sys, f"bus/usb/devices/{usb.name}", place)
    for number, (code, subclass, protocol, driver) in enumerate(usb.interfaces):
        name = interface_name(usb, number)
        write(
            sys / place / name,
            {
                "bInterfaceNumber": f"{number:02x}",
                "bAlternateSetting": " 0",
                "bInterfaceClass": code,
                "bInterfaceSubClass": subclass,
                "bInterfaceProtocol": protocol,
            },
        )
        link(sys, f"bus/usb/devices/{name}", f"{place}/{name}")
        if driver:
            (sys / "bus/usb/drivers" / driver).mkdir(parents=True, exist_ok=True)
            link(sys, f"{place}/{name}/driver", f"bus/usb/drivers/{driver}")


def _port(sys: Path, name: str, kind: str, peer: str) -> None:
    place = port_place(name)
    write(sys / place, {"connect_type": kind})
    if peer:
        (sys / port_place(peer)).mkdir(parents=True, exist_ok=True)
        link(sys, f"{place}/peer", port_place(peer))


def port_place(name: str) -> str:
    """``1-2`` is port 2 of usb1, ``1-2.3`` port 3 of the hub 1-2."""
    above, dot, number = name.rpartition(".")
    if dot:
        return f"{device_place(above)}/{above}:1.0/{above}-port{number}"
    bus, _, number = name.partition("-")
    return f"{device_place(f'usb{bus}')}/{bus}-0:1.0/usb{bus}-port{number}"


def _net(
    sys: Path, name: str, on: str | None, lower: Sequence[str], more: Mapping[str, str]
) -> None:
    virtual = on is None and (lower or "virtual" in more)
    above = "devices/virtual" if virtual else "devices/pci0000:00/0000:00:03.0"
    if on is not None:
        above = f"{device_place(on)}/{on}:1.0"
    place = f"{above}/net/{name}"
    attributes = {key: text for key, text in more.items() if key not in ("virtual", "wireless")}
    write(sys / place, {"ifindex": str(len(name)), "operstate": "up", **attributes})
    link(sys, f"class/net/{name}", place)
    if not virtual:
        link(sys, f"{place}/device", above)
    for one in lower:
        (sys / place / f"lower_{one}").symlink_to(f"../{one}")
    if "wireless" in more:
        (sys / place / "wireless").mkdir()


def _block(
    sys: Path, name: str, number: str, on: str | None, lower: Sequence[str], more: Mapping[str, str]
) -> None:
    above = f"{device_place(on)}/{on}:1.0/host0/target0:0:0/0:0:0:0" if on else "devices/virtual"
    place = f"{above}/block/{name}"
    write(sys / place, {"dev": number, **more})
    link(sys, f"class/block/{name}", place)
    for one in lower:
        (sys / place / "slaves" / one).mkdir(parents=True)


def _proc(proc: Path, client: Client) -> None:
    """The routes of IPv4 as (interface, address, mask, metric), the rest as the kernel's lines."""
    head = "Iface\tDestination\tGateway\tFlags\tRefCnt\tUse\tMetric\tMask\tMTU\tWindow\tIRTT\n"
    lines = [
        f"{name}\t{little(address)}\t00000000\t0003\t0\t0\t{metric}\t{little(mask)}\t0\t0\t0\n"
        for name, address, mask, metric in client.routes
    ]
    write(proc / "net", {"route": head + "".join(lines)})
    write(proc / "self", {"mountinfo": "".join(f"{one}\n" for one in client.mounts)})
    swaps = "".join(f"{one}  partition  1  0  -2\n" for one in client.swaps)
    write(proc, {"swaps": f"Filename  Type  Size  Used  Priority\n{swaps}"})


def little(address: str) -> str:
    """``192.0.2.0`` as /proc/net/route has it on a little-endian machine."""
    return bytes(int(part) for part in reversed(address.split("."))).hex().upper()


def write(directory: Path, attributes: Mapping[str, str]) -> None:
    for name, text in attributes.items():
        path = directory / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text if text.endswith("\n") else f"{text}\n", encoding="utf-8")


def link(sys: Path, name: str, place: str) -> None:
    path = sys / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.symlink_to(os.path.relpath(sys / place, path.parent))


def mount(number: str, point: str, kind: str, source: str, options: str = "rw") -> str:
    """A line of mountinfo."""
    return f"22 1 {number} / {point} rw,relatime shared:1 - {kind} {source} {options}"


DEFAULT = ("0.0.0.0", "0.0.0.0")

ROOT_HUBS = (hub("usb1", 4), hub("usb2", 4, id="1d6b:0003", speed="5000"))

ADAPTER = Usb(
    "2-3.4.2", "1209:0002", NETWORK, "02", "0210", "1000", maker="Fenn Works", title="Adapter"
)

RIDGE = Client(
    usb=(*ROOT_HUBS, hub("2-3", speed="5000"), hub("2-3.4", speed="5000"), ADAPTER),
    ports=(
        ("1-2", "hotplug", "2-2"),
        ("2-2", "hotplug", "1-2"),
        ("1-3", "not used", "2-3"),
        ("2-3", "hardwired", "1-3"),
        ("2-3.1", "hotplug", ""),
    ),
    nets=(("eth0", "2-3.4.2", (), {"speed": "1000"}), ("lo", None, (), {"virtual": ""})),
    blocks=(("mmcblk0p2", "179:2", None, (), {}),),
    routes=(("eth0", *DEFAULT, 0), ("eth0", "192.0.2.0", "255.255.255.0", 0)),
    mounts=(mount("179:2", "/", "ext4", "/dev/mmcblk0p2"),),
    machine="Ridge",
)
"""The demo's ridge, as far as a machine can say what it is."""

HOSTILE = (
    "\x1b[2J\x1b]0;owned\x07",
    '"}\n  evil: {onboard: []}  # ',
    "{{ lookup('pipe', 'id') }}",
    "<script>alert(1)</script>",
    "\u202egnp.exe",
    "- &a !!python/object:os.system",
    "end",
    "a\u2028b\u0085c\x0bd",
    "%n%s`id`$(id)",
    "x" * 500,
    "\ufeff: ? | > @",
)
"""What a device may call itself."""
