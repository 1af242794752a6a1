"""Devices to play: what the oracle's composites look like, and shapes that were made to get past.

``arrives`` is said by hand, from the policy of ``bench_site``; the tests ask the session's own
decision as well.  Codes: USB-IF's class list.
"""

from __future__ import annotations

from dataclasses import dataclass

from seatwright.twin.descriptors import Shape
from seatwright.usb.device import Device, Interface

STORAGE = Interface(0x08, 6, 80)
BOOT_KEYBOARD = Interface(0x03, 1, 1)
HIDDEN_HID = Interface(0x03, 0, 0)
AUDIO = Interface(0x01, 1, 0)
STREAM = Interface(0x01, 2, 0)
IMAGE = Interface(0x06, 1, 1)
PRINTER = Interface(0x07, 1, 2)
HUB = Interface(0x09, 0, 0)
READER = Interface(0x0B, 0, 0)
VIDEO = Interface(0x0E, 1, 0)
OWN = Interface(0xFF, 0, 0)
NETWORK = (Interface(0x02, 6, 0), Interface(0x0A, 0, 0))
COMPOSITE = 0xEF


@dataclass(frozen=True, slots=True)
class Case:
    """A shape, where it is plugged in, and whether it arrives by itself.

    ``by_node``: the session would hand it over, and only its closed node keeps it here.  udev sees
    the interfaces of all configurations and settings, the session those that are active.
    """

    what: str
    place: str
    arrives: bool
    shape: Shape
    by_node: bool = False


def device(product: int, *interfaces: Interface, bcd: int = 0x0100, device_class: int = 0) -> Shape:
    made = Device(0x1209, product, bcd, device_class, interfaces=interfaces)
    return Shape(made, f"Played {product:04x}")


def without_configuration(device_class: int) -> Shape:
    return Shape(Device(0x1209, 0x10, 0x0100, device_class, configured=False), "Played hollow")


CASES = (
    Case("a drive", "1-2", True, device(0x07, STORAGE)),
    Case("a drive with a hidden HID", "1-3", False, device(0x07, STORAGE, HIDDEN_HID)),
    Case("a drive with a keyboard", "1-4", False, device(0x07, STORAGE, BOOT_KEYBOARD)),
    Case("two drives in one", "1-5", True, device(0x08, STORAGE, STORAGE)),
    Case("a drive of composite class", "1-2", True, device(0x07, STORAGE, device_class=COMPOSITE)),
    Case("a drive of class HID", "1-3", False, device(0x07, STORAGE, device_class=0x03)),
    Case("a drive of class storage", "1-4", True, device(0x08, STORAGE, device_class=0x08)),
    Case("a drive with a network adapter", "1-5", False, device(0x07, STORAGE, *NETWORK)),
    Case("nothing that is configured", "1-6", False, without_configuration(0x00)),
    Case("nothing, of composite class", "1-2", False, without_configuration(COMPOSITE)),
    Case("a camera of moving pictures", "1-3", False, device(0x06, VIDEO, AUDIO)),
    Case("a hub's class", "1-4", False, device(0x07, STORAGE, HUB)),
    Case("a card terminal", "1-2", True, device(0x03, READER)),
    Case("another card terminal", "1-3", False, device(0x0D, READER)),
    Case("a card terminal with more", "1-4", False, device(0x03, READER, OWN)),
    Case("a headset", "1-5", True, device(0x05, AUDIO, STREAM, HIDDEN_HID, bcd=0x0110)),
    Case("an old headset", "1-2", False, device(0x05, AUDIO, STREAM, HIDDEN_HID)),
    Case("a film scanner, offered", "1-3", False, device(0x04, IMAGE, OWN)),
    Case("a camera, offered", "1-4", False, device(0x06, IMAGE)),
    Case(
        "a recorder",
        "1-5",
        False,
        device(0x0A, STORAGE, AUDIO, STREAM, device_class=COMPOSITE),
    ),
    Case("a printer", "1-2", False, device(0x07, PRINTER)),
    Case("a drive in the charger", "1-6", False, device(0x08, STORAGE)),
    Case("its own class", "1-4", False, device(0x0C, OWN, device_class=0xFF)),
    Case(
        "a drive with another face in a second configuration",
        "1-5",
        False,
        Shape(Device(0x1209, 0x09, 0x0100, interfaces=(STORAGE,)), other=(BOOT_KEYBOARD,)),
        by_node=True,
    ),
    Case(
        "a drive with a keyboard as another setting",
        "1-2",
        False,
        Shape(Device(0x1209, 0x09, 0x0100, interfaces=(STORAGE,)), alternates=(BOOT_KEYBOARD,)),
        by_node=True,
    ),
)
"""Four at a time, each at a place of its own: the guest has four ports."""
