"""A catalogue of real ids, 20 shapes of devices and filters as rooms have them, all seeded."""

from __future__ import annotations

from random import Random

from seatwright.policy.catalogue import Catalogue, Shape
from seatwright.usb.device import Device, Interface
from seatwright.usb.filter import Rule
from seatwright.usb.ids import system_ids

HID, KEYBOARD = Interface(3, 0, 0), Interface(3, 1, 1)
STORAGE, AUDIO, VIDEO = Interface(8, 6, 80), Interface(1, 1, 0), Interface(14, 1, 0)
STILL, PRINT, VENDOR, CARD = Interface(6, 1, 1), Interface(7, 1, 2), Interface(255), Interface(11)

SHAPES = tuple(
    Shape(Device(0, 0, version, device_class, interfaces=interfaces))
    for version, device_class, interfaces in (
        (0x0100, 0x00, (STORAGE,)),
        (0x0200, 0x00, (STORAGE, HID)),
        (0x0100, 0x00, (HID,)),
        (0x0110, 0x00, (KEYBOARD, HID)),
        (0x0100, 0x00, (KEYBOARD,)),
        (0x0100, 0x00, (PRINT,)),
        (0x0100, 0x00, (PRINT, STILL, VENDOR)),
        (0x0300, 0x00, (STILL,)),
        (0x0100, 0xFF, (VENDOR,)),
        (0x0100, 0x00, (VENDOR, VENDOR)),
        (0x0210, 0xEF, (VIDEO, VIDEO)),
        (0x0100, 0xEF, (VIDEO, VIDEO, AUDIO, AUDIO)),
        (0x0110, 0x00, (AUDIO, AUDIO, HID)),
        (0x0100, 0x00, (CARD,)),
        (0x0100, 0x00, (CARD, HID, KEYBOARD)),
        (0x0100, 0x02, (Interface(2, 6), Interface(10))),
        (0x0100, 0xE0, (Interface(0xE0, 1, 1), Interface(0xE0, 1, 1))),
        (0x0100, 0x09, (Interface(9),)),
        (0x0100, 0xEF, (STORAGE, Interface(2), Interface(10), VENDOR)),
        (0x0100, 0x00, (Interface(0xFE, 1, 1),)),
    )
)


def system_catalogue() -> Catalogue:
    """Every product of the machine's usb.ids; RuntimeError where it has none."""
    names = system_ids()
    if names is None:
        raise RuntimeError("usb.ids is missing: run apt-get install usb.ids")
    return Catalogue(names.products)


def room_filters(random: Random, catalogue: Catalogue, count: int) -> list[tuple[Rule, ...]]:
    """Distinct filters: hubs, onboard ids, named devices, a vendor, classes, the rest kept."""
    filters: dict[tuple[Rule, ...], None] = {}
    while len(filters) < count:
        filters[_room_filter(random, catalogue)] = None
    return list(filters)


def _room_filter(random: Random, catalogue: Catalogue) -> tuple[Rule, ...]:
    onboard = [Rule(-1, *random.choice(catalogue.ids)) for _ in range(random.randrange(2, 6))]
    named = [_named(random, catalogue) for _ in range(random.randrange(2, 20))]
    vendors = [
        Rule(vendor=random.choice(catalogue.ids)[0], allow=random.random() < 0.5)
        for _ in range(random.randrange(3))
    ]
    classes = [
        Rule(usb_class, allow=True)
        for usb_class in random.sample((1, 2, 3, 6, 7, 8, 10, 11, 14, 255), random.randrange(6))
    ]
    return (Rule(0x09), *onboard, *named, *vendors, *classes, Rule())


def _named(random: Random, catalogue: Catalogue) -> Rule:
    vendor, product = random.choice(catalogue.ids)
    usb_class = random.choice((-1, -1, 3, 6, 8, 14, 255))
    version = random.choice((-1, -1, -1, 0x0100, 0x0110))
    return Rule(usb_class, vendor, product, version, random.random() < 0.8)
