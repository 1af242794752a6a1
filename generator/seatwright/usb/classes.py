"""Class codes and their names.

Source: USB Implementers Forum, "Defined Class Codes" (the list as of 2024: base classes 0x00 to
0x14, 0x3C, 0xDC, 0xE0, 0xEF, 0xFE, 0xFF), written down by hand; tests/oracle compares
the codes and wording with the USB ID repository's list (Debian package usb.ids 2025.07.26).  The
short names are ours: the list's words in lower case with hyphens.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType

PER_INTERFACE = 0x00
"""A device class that says: see the interfaces."""
HID = 0x03
HUB = 0x09
MISCELLANEOUS = 0xEF
"""As a device class: mostly a composite device whose interfaces say what it is."""


class Usage(StrEnum):
    """Where the list lets a class stand."""

    DEVICE = "device"
    INTERFACE = "interface"
    BOTH = "both"


@dataclass(frozen=True, slots=True)
class UsbClass:
    """One entry: ``code`` 0 to 255, our ``name``, the published ``title``, where it may stand."""

    code: int
    name: str
    title: str
    usage: Usage


CLASSES: tuple[UsbClass, ...] = (
    UsbClass(0x00, "per-interface", "Use class information in the interfaces", Usage.DEVICE),
    UsbClass(0x01, "audio", "Audio", Usage.INTERFACE),
    UsbClass(0x02, "communications", "Communications and CDC Control", Usage.BOTH),
    UsbClass(0x03, "hid", "Human Interface Device", Usage.INTERFACE),
    UsbClass(0x05, "physical", "Physical Interface Device", Usage.INTERFACE),
    UsbClass(0x06, "image", "Image", Usage.INTERFACE),
    UsbClass(0x07, "printer", "Printer", Usage.INTERFACE),
    UsbClass(0x08, "mass-storage", "Mass Storage", Usage.INTERFACE),
    UsbClass(0x09, "hub", "Hub", Usage.DEVICE),
    UsbClass(0x0A, "cdc-data", "CDC Data", Usage.INTERFACE),
    UsbClass(0x0B, "smart-card", "Smart Card", Usage.INTERFACE),
    UsbClass(0x0D, "content-security", "Content Security", Usage.INTERFACE),
    UsbClass(0x0E, "video", "Video", Usage.INTERFACE),
    UsbClass(0x0F, "personal-healthcare", "Personal Healthcare", Usage.INTERFACE),
    UsbClass(0x10, "audio-video", "Audio/Video", Usage.INTERFACE),
    UsbClass(0x11, "billboard", "Billboard", Usage.DEVICE),
    UsbClass(0x12, "type-c-bridge", "Type-C Bridge", Usage.INTERFACE),
    UsbClass(0x13, "bulk-display", "Bulk Display Protocol", Usage.INTERFACE),
    UsbClass(0x14, "mctp", "MCTP over USB", Usage.INTERFACE),
    UsbClass(0x3C, "i3c", "I3C Device", Usage.INTERFACE),
    UsbClass(0xDC, "diagnostic", "Diagnostic", Usage.BOTH),
    UsbClass(0xE0, "wireless", "Wireless Controller", Usage.INTERFACE),
    UsbClass(0xEF, "miscellaneous", "Miscellaneous", Usage.BOTH),
    UsbClass(0xFE, "application-specific", "Application Specific", Usage.INTERFACE),
    UsbClass(0xFF, "vendor-specific", "Vendor Specific", Usage.BOTH),
)
"""The published list, in the order of the codes."""

BY_CODE: Mapping[int, UsbClass] = MappingProxyType({entry.code: entry for entry in CLASSES})
BY_NAME: Mapping[str, UsbClass] = MappingProxyType({entry.name: entry for entry in CLASSES})


def class_name(code: int) -> str:
    """The name of a class, or its number (``0x58``) where the list has none."""
    entry = BY_CODE.get(code)
    return entry.name if entry else f"0x{code:02x}"


def may_be_device_class(code: int) -> bool:
    """Whether the list lets the class stand in a device descriptor; unlisted codes may."""
    entry = BY_CODE.get(code)
    return entry is None or entry.usage is not Usage.INTERFACE


def may_be_interface_class(code: int) -> bool:
    """Whether the list lets the class stand in an interface descriptor; unlisted codes may.

    Hubs name 0x09 in their interface as well (USB 2.0, 11.23.1), though the list says "device".
    """
    entry = BY_CODE.get(code)
    return entry is None or entry.usage is not Usage.DEVICE or code == HUB
