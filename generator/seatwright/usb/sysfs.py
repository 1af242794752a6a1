"""A device from its directory below ``/sys/bus/usb/devices``, or from a copy of such a tree.

Source: Linux Documentation/ABI/stable/sysfs-bus-usb and testing/sysfs-bus-usb; attributes are
hexadecimal without 0x, except bConfigurationValue, busnum and devnum (decimal) and
bAlternateSetting (decimal, padded with a blank).
"""

from __future__ import annotations

import os
import re
from dataclasses import dataclass
from pathlib import Path

from seatwright.usb.capture import (
    CapturedDevice,
    CaptureError,
    Configuration,
    Setting,
    printable,
)
from seatwright.usb.descriptors import DeviceDescriptors, read_descriptors
from seatwright.usb.device import Interface
from seatwright.usb.portpath import PortPath, PortPathError, parse_port_path

_LARGEST = 64 * 2**10  # a configuration's wTotalLength has 16 bits
_HINT = "copy the directory again, on the client: cp -r /sys/bus/usb/devices/1-2/ 1-2"


@dataclass(frozen=True, slots=True)
class SysfsReading:
    """The devices that could be read, and what is wrong with each that could not."""

    devices: tuple[CapturedDevice, ...]
    errors: tuple[CaptureError, ...]


def read_tree(directory: Path) -> SysfsReading:
    """Every device of ``/sys/bus/usb/devices`` or a copy, in the order of the port paths.

    A copy may be flat or nested (a hub's directory holds those of the devices behind it); links
    are followed at the top only, since those further down lead back up.
    """
    devices: list[CapturedDevice] = []
    errors: list[CaptureError] = []
    for path in sorted(_device_directories(directory), key=lambda one: _order(one.name)):
        try:
            devices.append(read_device(path))
        except CaptureError as error:
            errors.append(error)
    if not devices and not errors:
        errors.append(_error(directory, "no device stands in this directory"))
    return SysfsReading(tuple(devices), tuple(errors))


def _device_directories(directory: Path) -> list[Path]:
    """Directories with an idVendor, each once; what cannot be entered is not looked into."""
    links = (path for path in directory.glob("*") if path.is_symlink())
    walked = (Path(found) for found, _, _ in os.walk(directory))
    by_real_path: dict[Path, Path] = {}
    for path in (*walked, *links):
        if (path / "idVendor").exists():
            by_real_path.setdefault(path.resolve(), path)
    return list(by_real_path.values())


def _order(name: str) -> tuple[int, PortPath, str]:
    """Root hubs and renamed copies first, the others as the tree stands."""
    port = _port(name)
    return (1, port, name) if port else (0, PortPath(0, ()), name)


def read_device(directory: Path) -> CapturedDevice:
    """One device; CaptureError where an attribute is missing or is no number."""
    if not directory.is_dir():
        raise _error(directory, "this is no directory of a device")
    descriptors = _descriptors(directory)
    active = _active(directory)
    configurations = (
        descriptors.configurations if descriptors else _from_interfaces(directory, active)
    )
    found = CapturedDevice(
        vendor=_hexadecimal(directory / "idVendor", 4),
        product=_hexadecimal(directory / "idProduct", 4),
        bcd_device=_hexadecimal(directory / "bcdDevice", 4),
        device_class=_hexadecimal(directory / "bDeviceClass", 2),
        device_subclass=_hexadecimal(directory / "bDeviceSubClass", 2),
        device_protocol=_hexadecimal(directory / "bDeviceProtocol", 2),
        configurations=configurations,
        active=active,
        active_known=True,
        file=str(directory),
        line=0,
        bus=_optional_decimal(directory / "busnum"),
        address=_optional_decimal(directory / "devnum"),
        port=_port(directory.name),
        manufacturer=printable(_optional_text(directory / "manufacturer")),
        title=printable(_optional_text(directory / "product")),
    )
    _check_agreement(directory, found, descriptors)
    return found


def _check_agreement(
    directory: Path, found: CapturedDevice, descriptors: DeviceDescriptors | None
) -> None:
    """A copy put together from two devices is refused."""
    if found.active is not None and found.configuration() is None:
        raise _error(
            directory / "bConfigurationValue",
            f"configuration {found.active} is active, but the descriptors have no such one",
        )
    if descriptors is None:
        return
    theirs = (descriptors.vendor, descriptors.product, descriptors.bcd_device)
    if theirs != (found.vendor, found.product, found.bcd_device):
        raise _error(
            directory / "descriptors",
            f"the descriptors are those of {theirs[0]:04x}:{theirs[1]:04x} version {theirs[2]:04x}",
        )


def _descriptors(directory: Path) -> DeviceDescriptors | None:
    path = directory / "descriptors"
    if not path.exists():
        return None
    return read_descriptors(_read(path), str(path))


def _active(directory: Path) -> int | None:
    """The active configuration; the kernel leaves the attribute empty where there is none."""
    path = directory / "bConfigurationValue"
    text = _text(path)
    return _number(path, text, r"[0-9]{1,3}", 10, 0xFF) if text else None


def _from_interfaces(directory: Path, active: int | None) -> tuple[Configuration, ...]:
    """The active configuration from the interfaces' directories, each in its current setting.

    They stand in the device's directory, and in a copy of /sys/bus/usb/devices also beside it.
    """
    if active is None:
        return ()
    paths = _interfaces(directory, r"[^:]+", active) or _interfaces(
        directory.parent, re.escape(_interface_prefix(directory.name)), active
    )
    announced = _optional_decimal(directory / "bNumInterfaces")
    if not paths or announced not in (None, len(paths)):
        raise _error(
            directory,
            f"{'some' if announced is None else announced} interfaces are expected in "
            f"configuration {active}, {len(paths)} can be read, and there are no descriptors",
        )
    settings = sorted((_setting(path) for path in paths), key=lambda one: one.number)
    return (Configuration(active, tuple(settings)),)


def _interfaces(directory: Path, prefix: str, active: int) -> list[Path]:
    form = re.compile(rf"{prefix}:{active}\.[0-9]+")
    return [path for path in _children(directory) if form.fullmatch(path.name) and path.is_dir()]


def _children(directory: Path) -> list[Path]:
    try:
        return list(directory.iterdir())
    except OSError as error:
        raise _error(directory, f"the directory cannot be read: {error.strerror}") from error


def _interface_prefix(name: str) -> str:
    """Interfaces of the root hub ``usb2`` are called ``2-0:1.0``."""
    root = re.fullmatch(r"usb([0-9]+)", name)
    return f"{root[1]}-0" if root else name


def _setting(directory: Path) -> Setting:
    alternate = directory / "bAlternateSetting"
    return Setting(
        _hexadecimal(directory / "bInterfaceNumber", 2),
        _number(alternate, _text(alternate), r"[0-9]{1,3}", 10, 0xFF),
        Interface(
            _hexadecimal(directory / "bInterfaceClass", 2),
            _hexadecimal(directory / "bInterfaceSubClass", 2),
            _hexadecimal(directory / "bInterfaceProtocol", 2),
        ),
    )


def _port(name: str) -> PortPath | None:
    """The directory's name is the port path, but for root hubs and renamed copies."""
    try:
        return parse_port_path(name)
    except PortPathError:
        return None


def _hexadecimal(path: Path, digits: int) -> int:
    return _number(path, _text(path), f"[0-9a-fA-F]{{{digits}}}", 16, 16**digits - 1)


def _optional_decimal(path: Path) -> int | None:
    return _number(path, _text(path), r"[0-9]{1,3}", 10, 999) if path.exists() else None


def _optional_text(path: Path) -> str:
    return _read(path).decode("utf-8", errors="replace") if path.exists() else ""


def _text(path: Path) -> str:
    return _read(path).decode("ascii", errors="replace").strip()


def _number(path: Path, text: str, form: str, base: int, highest: int) -> int:
    number = int(text, base) if re.fullmatch(form, text) else -1
    if not 0 <= number <= highest:
        kind = "hexadecimal" if base == 16 else "decimal"
        shown = ascii(text[:40]) if text else "nothing"
        raise _error(path, f"{path.name} is {shown}, not a {kind} number up to {highest:#x}", text)
    return number


def _read(path: Path) -> bytes:
    """An attribute; anything but a regular file (a fifo in a foreign copy) is refused."""
    if not path.is_file():
        raise _error(path, f"{path.name} is missing")
    try:
        with path.open("rb") as stream:
            data = stream.read(_LARGEST * 8 + 1)
    except OSError as error:
        raise _error(path, f"{path.name} cannot be read: {error.strerror}") from error
    if len(data) > _LARGEST * 8:
        raise _error(path, f"{path.name} is larger than any attribute")
    return data


def _error(path: Path, message: str, source: str = "") -> CaptureError:
    return CaptureError(
        message, file=str(path), line=1, column=1, hint=_HINT, source=printable(source)
    )
