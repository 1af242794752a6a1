"""Binary descriptors, as the kernel gives them in ``/sys/bus/usb/devices/<path>/descriptors``.

Sources: USB 2.0, tables 9-8, 9-10, 9-12, 9-13; Documentation/ABI/stable/sysfs-bus-usb (the device
descriptor, then every configuration with all that belongs to it).
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass, replace

from seatwright.usb.capture import CaptureError, Configuration, Endpoint, Setting
from seatwright.usb.device import Interface

_DEVICE, _CONFIGURATION, _INTERFACE, _ENDPOINT = 1, 2, 4, 5
_LENGTHS = {_DEVICE: 18, _CONFIGURATION: 9, _INTERFACE: 9, _ENDPOINT: 7}
_NAMES = {
    _DEVICE: "device",
    _CONFIGURATION: "configuration",
    _INTERFACE: "interface",
    _ENDPOINT: "endpoint",
}


@dataclass(frozen=True, slots=True)
class DeviceDescriptors:
    """The fields of the device descriptor that a filter looks at, and the configurations."""

    vendor: int
    product: int
    bcd_device: int
    device_class: int
    device_subclass: int
    device_protocol: int
    configurations: tuple[Configuration, ...]


def read_descriptors(data: bytes, file: str) -> DeviceDescriptors:
    """The descriptors of one device; CaptureError with the byte where they break off."""
    parts = list(_split(data, file))
    if not parts or parts[0][1] != _DEVICE:
        raise _error(file, 0, "the file does not begin with a device descriptor")
    device = struct.unpack("<4xBBB1xHHH3xB", parts[0][2][:18])
    device_class, subclass, protocol, vendor, product, bcd_device, announced = device
    configurations = _configurations(parts[1:], file)
    if len(configurations) != announced:
        raise _error(
            file, 17, f"{announced} configurations are announced, {len(configurations)} follow"
        )
    return DeviceDescriptors(
        vendor, product, bcd_device, device_class, subclass, protocol, configurations
    )


def _split(data: bytes, file: str) -> Iterator[tuple[int, int, bytes]]:
    """Offset, type and bytes of each descriptor."""
    offset = 0
    while offset < len(data):
        length = data[offset]
        if length < 2 or offset + length > len(data):
            raise _error(file, offset, f"a descriptor of {length} bytes does not fit here")
        kind = data[offset + 1]
        if length < _LENGTHS.get(kind, 2):
            raise _error(
                file, offset, f"{length} bytes are too few for a {_NAMES[kind]} descriptor"
            )
        yield offset, kind, data[offset : offset + length]
        offset += length


def _configurations(parts: list[tuple[int, int, bytes]], file: str) -> tuple[Configuration, ...]:
    """The configurations with their interfaces and endpoints; all others are passed over."""
    heads: list[tuple[int, bytes, list[Setting]]] = []
    for offset, kind, data in parts:
        if kind == _CONFIGURATION:
            heads.append((offset, data, []))
        elif kind == _INTERFACE:
            if not heads:
                raise _error(file, offset, "an interface stands before any configuration")
            heads[-1][2].append(Setting(data[2], data[3], Interface(data[5], data[6], data[7])))
        elif kind == _ENDPOINT and heads and heads[-1][2]:
            setting = heads[-1][2][-1]
            endpoint = Endpoint(*struct.unpack("<2xBBHB", data[:7]))
            heads[-1][2][-1] = replace(setting, endpoints=(*setting.endpoints, endpoint))
    for offset, data, settings in heads:
        found = len({setting.number for setting in settings})
        if found != data[4]:
            raise _error(file, offset + 4, f"{data[4]} interfaces are announced, {found} follow")
    return tuple(Configuration(data[5], tuple(settings)) for _, data, settings in heads)


def _error(file: str, offset: int, message: str) -> CaptureError:
    return CaptureError(
        message,
        file=file,
        line=0,
        column=offset,
        hint="copy the file again from /sys/bus/usb/devices on the client",
    )
