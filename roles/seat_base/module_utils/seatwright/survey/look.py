"""A capture read into values: what was seen on a client at one moment.

Whatever the text holds, it is read or refused with a :class:`CaptureError`; a device's own words
are printable afterwards.  This file is copied to the seat as it is: standard library only.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from ansible.module_utils.seatwright.survey.around import (
    Lines,
    adapter_of,
    arch_of,
    disk_of,
    first_value,
    input_of,
    mounts,
    peer_of,
    pools,
    routes4,
    routes6,
    swaps,
    what_changed,
)
from ansible.module_utils.seatwright.survey.script import FORMAT
from ansible.module_utils.seatwright.survey.seen import Look, SeenDevice, SeenInterface, SeenPort
from ansible.module_utils.seatwright.usb.capture import CaptureError, printable
from ansible.module_utils.seatwright.usb.device import Interface
from ansible.module_utils.seatwright.usb.portpath import PortPath, PortPathError, parse_port_path

LARGEST = 8 * 2**20
"""Characters of a capture; that of a client with 127 devices and their descriptors has 0.3 MB."""
HINT = "Make the capture again: seatwright survey --script prints what makes it."


def read_look(text: str, file: str) -> Look:
    """What a capture says. Raises CaptureError where it is none, or was cut short."""
    rows = _rows(text, file)
    named = {kind: _by_name(rows.get(kind, [])) for kind in ("usb", "interface", "port")}
    named |= {kind: _by_name(rows.get(kind, [])) for kind in ("net", "block", "input")}
    devices, unreadable = _devices(named["usb"], named["interface"], file)
    return Look(
        arch=arch_of(_first(rows, "arch")),
        machine=printable(" ".join(text for _, text in rows.get("machine", []))),
        peer=peer_of(_first(rows, "over")),
        devices=devices,
        unreadable=unreadable,
        ports=tuple(_ports(named["port"])),
        adapters={name: adapter_of(name, keys) for name, keys in named["net"].items()},
        routes=(*routes4(rows), *routes6(rows)),
        disks={name: disk_of(name, keys) for name, keys in named["block"].items()},
        pools=pools(rows),
        mounts=tuple(mounts(rows)),
        swaps=swaps(rows),
        inputs=tuple(input_of(name, keys) for name, keys in named["input"].items()),
        changed=what_changed(_first(rows, "before"), _first(rows, "after")),
    )


def _rows(text: str, file: str) -> Lines:
    """The lines by their first word; CaptureError where the first or the last line is missing."""
    lines = text.split("\n")
    if len(text) > LARGEST:
        raise _error(file, 1, f"the capture is larger than {LARGEST // 2**20} MiB")
    if lines[0].rstrip("\r") != FORMAT:
        raise _error(file, 1, f"this is no capture: the first line is not '{FORMAT}'", lines[0])
    rows: dict[str, list[tuple[int, str]]] = {}
    for number, line in enumerate(lines, 1):
        kind, _, rest = line.rstrip("\r").partition(" ")
        rows.setdefault(kind, []).append((number, rest))
        if kind == "end" and not rest:
            return rows
    raise _error(file, len(lines), "the capture was cut short: its last line is not 'end'")


def _first(rows: Lines, kind: str) -> str:
    found = rows.get(kind)
    return found[0][1] if found else ""


def _by_name(rows: Sequence[tuple[int, str]]) -> dict[str, dict[str, list[tuple[int, str]]]]:
    """``name key value`` by name and key."""
    named: dict[str, dict[str, list[tuple[int, str]]]] = {}
    for number, text in rows:
        name, _, rest = text.partition(" ")
        key, _, value = rest.partition(" ")
        named.setdefault(name, {}).setdefault(key, []).append((number, value))
    return named


def _devices(
    named: Mapping[str, Lines], interfaces: Mapping[str, Lines], file: str
) -> tuple[tuple[SeenDevice, ...], tuple[CaptureError, ...]]:
    """The devices in the order of the tree, root hubs first, and what is wrong with the others."""
    below: dict[str, list[Lines]] = {}
    for name, keys in interfaces.items():
        owner = re.sub(r"^([0-9]+)-0$", r"usb\1", name.partition(":")[0])
        below.setdefault(owner, []).append(keys)
    devices, errors = [], []
    for name, keys in named.items():
        try:
            devices.append(_Reader(name, keys, file).device(below.get(name, [])))
        except CaptureError as error:
            errors.append(error)
    devices.sort(key=lambda one: (one.port is not None, one.port or PortPath(0, ()), one.name))
    return tuple(devices), tuple(errors)


@dataclass(frozen=True, slots=True)
class _Reader:
    """The lines of one device."""

    name: str
    keys: Lines
    file: str

    def device(self, interfaces: Sequence[Lines]) -> SeenDevice:
        active = self.text("bConfigurationValue")
        announced = self.number("bNumInterfaces", "[0-9]{1,3}", 10, "0") if active else 0
        if announced != len(interfaces) and active:
            raise self.error(
                "bNumInterfaces", f"{announced} interfaces are announced, {len(interfaces)} follow"
            )
        return SeenDevice(
            name=self.name,
            port=self.port(),
            vendor=self.number("idVendor", "[0-9a-fA-F]{4}"),
            product=self.number("idProduct", "[0-9a-fA-F]{4}"),
            bcd_device=self.number("bcdDevice", "[0-9a-fA-F]{4}"),
            device_class=self.number("bDeviceClass", "[0-9a-fA-F]{2}"),
            device_subclass=self.number("bDeviceSubClass", "[0-9a-fA-F]{2}"),
            device_protocol=self.number("bDeviceProtocol", "[0-9a-fA-F]{2}"),
            active=self.number("bConfigurationValue", "[0-9]{1,3}", 10) if active else None,
            interfaces=self.interfaces(interfaces) if active else (),
            speed=printable(self.text("speed")),
            children=self.number("maxchild", "[0-9]{1,3}", 10, "0"),
            removable=printable(self.text("removable")),
            manufacturer=printable(self.text("manufacturer")),
            title=printable(self.text("product")),
            descriptors=self.descriptors(),
        )

    def port(self) -> PortPath | None:
        if re.fullmatch(r"usb[0-9]{1,2}", self.name):
            return None
        try:
            return parse_port_path(self.name)
        except PortPathError as error:
            raise self.error("idVendor", error.message) from None

    def interfaces(self, below: Sequence[Lines]) -> tuple[SeenInterface, ...]:
        found = []
        for keys in below:
            one = _Reader(self.name, keys, self.file)
            codes = Interface(
                one.number("bInterfaceClass", "[0-9a-fA-F]{2}"),
                one.number("bInterfaceSubClass", "[0-9a-fA-F]{2}"),
                one.number("bInterfaceProtocol", "[0-9a-fA-F]{2}"),
            )
            number = one.number("bInterfaceNumber", "[0-9a-fA-F]{2}")
            alternate = one.number("bAlternateSetting", "[0-9]{1,3}", 10, "0")
            driver = printable(one.text("driver"))
            found.append(SeenInterface(number, alternate, codes, driver))
        return tuple(sorted(found, key=lambda one: one.number))

    def descriptors(self) -> bytes:
        """The bytes; none where the client has no program that shows them."""
        try:
            return bytes.fromhex(self.text("descriptors"))
        except ValueError:
            raise self.error("descriptors", "the descriptors are no hexadecimal bytes") from None

    def text(self, key: str) -> str:
        return first_value(self.keys, key)

    def number(self, key: str, form: str, base: int = 16, absent: str = "") -> int:
        text = self.text(key) or absent
        if not re.fullmatch(form, text, re.ASCII):
            shown = ascii(text[:40]) if text else "nothing"
            kind = "decimal" if base == 10 else "hexadecimal"
            raise self.error(key, f"{key} is {shown}, not a {kind} number")
        return int(text, base)

    def error(self, key: str, message: str) -> CaptureError:
        found = self.keys.get(key) or next(iter(self.keys.values()))
        number, source = found[0]
        shown = printable(self.name[:40])
        return _error(self.file, number, f"the device {shown}: {message}", source)


def _error(file: str, line: int, message: str, source: str = "") -> CaptureError:
    return CaptureError(
        message, file=file, line=line, column=1, hint=HINT, source=printable(source)
    )


def _ports(named: Mapping[str, Lines]) -> Iterator[SeenPort]:
    for name, keys in named.items():
        port = _port_of_hub(name)
        if port:
            yield SeenPort(
                port,
                printable(first_value(keys, "connect_type")),
                _port_of_hub(first_value(keys, "peer")),
            )


def _port_of_hub(name: str) -> PortPath | None:
    """``usb1-port2`` is 1-2, ``1-2-port3`` is 1-2.3."""
    root = re.fullmatch(r"usb([0-9]+)-port([0-9]+)", name)
    hub = re.fullmatch(r"([0-9]+-[0-9.]+)-port([0-9]+)", name)
    text = f"{root[1]}-{root[2]}" if root else f"{hub[1]}.{hub[2]}" if hub else ""
    try:
        return parse_port_path(text)
    except PortPathError:
        return None
