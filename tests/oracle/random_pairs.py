"""Seeded random rule lists and devices that hit each other often: values come from small pools."""

from __future__ import annotations

from random import Random

from seatwright.usb.device import Device, Interface
from seatwright.usb.filter import ANY, Rule

CLASSES = (0x00, 0x01, 0x02, 0x03, 0x03, 0x03, 0x06, 0x08, 0x08, 0x09, 0x0B, 0x0E, 0xE0, 0xEF, 0xFF)
IDS = (0x0000, 0x0001, 0x0003, 0x1209, 0x1209, 0xFFFF)
VERSIONS = (0x0000, 0x0100, 0x0110, 0x0210, 0xFFFF)


def random_rules(random: Random) -> tuple[Rule, ...]:
    """0 to 8 rules, now and then up to 120."""
    length = random.randrange(120) if random.random() < 0.02 else random.randrange(9)
    return tuple(
        Rule(
            _field(random, CLASSES, 0.4, 0xFF),
            _field(random, IDS, 0.5, 0xFFFF),
            _field(random, IDS, 0.5, 0xFFFF),
            _field(random, VERSIONS, 0.7, 0xFFFF),
            random.random() < 0.6,
        )
        for _ in range(length)
    )


def random_device(random: Random) -> Device:
    """0 to 5 interfaces, now and then up to 32; half of the device classes say nothing."""
    count = random.randrange(33) if random.random() < 0.02 else random.randrange(6)
    return Device(
        vendor=_value(random, IDS, 0xFFFF),
        product=_value(random, IDS, 0xFFFF),
        bcd_device=_value(random, VERSIONS, 0xFFFF),
        device_class=random.choice((0x00, 0xEF, _value(random, CLASSES, 0xFF))),
        device_subclass=random.randrange(256),
        device_protocol=random.randrange(256),
        interfaces=tuple(_interface(random) for _ in range(count)),
        configured=count > 0,
    )


def _interface(random: Random) -> Interface:
    if random.random() < 0.3:
        return Interface(0x03, 0, 0)
    return Interface(
        _value(random, CLASSES, 0xFF),
        random.choice((0, 0, 1, 6, 255, None)),
        random.choice((0, 0, 1, 2, 80, None)),
    )


def _field(random: Random, pool: tuple[int, ...], any_share: float, highest: int) -> int:
    return ANY if random.random() < any_share else _value(random, pool, highest)


def _value(random: Random, pool: tuple[int, ...], highest: int) -> int:
    return random.choice(pool) if random.random() < 0.9 else random.randint(0, highest)
