"""libusbredirparser through ctypes: the outside reference for usb/filter.py.

Source: Debian package libusbredirparser1 (header usbredirfilter.h). A machine without it fails.
"""

from __future__ import annotations

import ctypes
import errno
from collections.abc import Sequence

from seatwright.usb.device import Device
from seatwright.usb.filter import Decision, Reason, Rule

LIBRARY = "libusbredirparser.so.1"
DEFAULT_ALLOW = 1
STRICT = 2
NOT_ZERO = 0xFF  # stands for a subclass or protocol that is not known

RESULTS = {Reason.DENIED_BY_RULE: -errno.EPERM, Reason.NO_RULE: -errno.ENOENT}


class CRule(ctypes.Structure):
    """struct usbredirfilter_rule."""

    _fields_ = [
        (name, ctypes.c_int) for name in ("usb_class", "vendor", "product", "version", "allow")
    ]


def load() -> ctypes.CDLL:
    """The library with its argument types; RuntimeError with a way out where it is missing."""
    try:
        library = ctypes.CDLL(LIBRARY)
    except OSError as error:
        raise RuntimeError(f"{error}: run apt-get install libusbredirparser1") from error
    octets = ctypes.c_char_p
    library.usbredirfilter_check.argtypes = [
        ctypes.POINTER(CRule), ctypes.c_int,  # rules, their number
        ctypes.c_uint8, ctypes.c_uint8, ctypes.c_uint8,  # device class, subclass, protocol
        octets, octets, octets, ctypes.c_int,  # interface classes, subclasses, protocols, number
        ctypes.c_uint16, ctypes.c_uint16, ctypes.c_uint16,  # vendor, product, bcdDevice
        ctypes.c_int,  # flags
    ]  # fmt: skip
    library.usbredirfilter_rules_to_string.argtypes = [
        ctypes.POINTER(CRule), ctypes.c_int, octets, octets,
    ]  # fmt: skip
    library.usbredirfilter_rules_to_string.restype = ctypes.c_void_p
    library.usbredirfilter_string_to_rules.argtypes = [
        octets, octets, octets, ctypes.POINTER(ctypes.POINTER(CRule)), ctypes.POINTER(ctypes.c_int),
    ]  # fmt: skip
    return library


Arguments = tuple[int, int, int, bytes, bytes, bytes, int, int, int, int]


def arguments(device: Device) -> Arguments:
    """A device as ``usbredirfilter_check`` wants it."""
    interfaces = device.interfaces
    return (
        device.device_class,
        device.device_subclass,
        device.device_protocol,
        bytes(one.usb_class for one in interfaces),
        bytes(NOT_ZERO if one.subclass is None else one.subclass for one in interfaces),
        bytes(NOT_ZERO if one.protocol is None else one.protocol for one in interfaces),
        len(interfaces),
        device.vendor,
        device.product,
        device.bcd_device,
    )


class RedirLibrary:
    """The three functions with Python values in and out."""

    def __init__(self) -> None:
        self._library = load()
        self._free = ctypes.CDLL(None).free
        self._free.argtypes = [ctypes.c_void_p]

    def rules(self, rules: Sequence[Rule]) -> ctypes.Array[CRule]:
        """Rules as the library wants them, to be used for many checks."""
        return (CRule * len(rules))(
            *(CRule(r.usb_class, r.vendor, r.product, r.version, r.allow) for r in rules)
        )

    def check(self, rules: ctypes.Array[CRule], device: Device, flags: int) -> int:
        """0 (allowed), -EPERM (a rule denied), -ENOENT (no rule matched), -EINVAL."""
        return self.check_arguments(rules, len(rules), arguments(device), flags)

    def check_arguments(
        self, rules: ctypes.Array[CRule], count: int, device: Arguments, flags: int
    ) -> int:
        """The same with everything laid out before, for checks by the hundred thousand."""
        return int(self._library.usbredirfilter_check(rules, count, *device, flags))

    def parse(
        self, text: bytes, fields: bytes = b",", rules: bytes = b"|"
    ) -> list[tuple[int, ...]] | None:
        """The rules as tuples (``allow`` as read), or None where the library refuses."""
        found = ctypes.POINTER(CRule)()
        count = ctypes.c_int()
        result = self._library.usbredirfilter_string_to_rules(
            text, fields, rules, ctypes.byref(found), ctypes.byref(count)
        )
        if result != 0:
            return None
        taken: list[tuple[int, ...]] = [
            (r.usb_class, r.vendor, r.product, r.version, r.allow) for r in found[: count.value]
        ]
        self._free(found)
        return taken

    def format(self, rules: Sequence[Rule], fields: bytes = b",", between: bytes = b"|") -> bytes:
        """The library's own spelling of a list."""
        pointer = self._library.usbredirfilter_rules_to_string(
            self.rules(rules), len(rules), fields, between
        )
        text = ctypes.string_at(pointer)
        self._free(pointer)
        return text


def result_of(decision: Decision) -> int:
    """What the library answers where we decide so (plain and with its flags only)."""
    return 0 if decision.allowed else RESULTS[decision.reason]
