"""Long rule lists, as people grow them and as nobody should write them."""

from __future__ import annotations

from random import Random

from seatwright.usb.filter import ANY, Rule

CLASSES = (0x01, 0x02, 0x03, 0x06, 0x07, 0x08, 0x0A, 0x0B, 0x0E, 0xE0, 0xFE, 0xFF)


def grown(length: int, seed: int) -> list[Rule]:
    """A list as it grows over years: protections, named devices with and without class or version,
    whole vendors, classes, and about one rule in ten that says again what was said before.
    """
    random = Random(seed)
    vendors = random.sample(range(1, 0xFFFF), max(2, length // 12))
    rules = [Rule(usb_class=0x09), Rule(vendor=0x1209, product=0x0002)]
    while len(rules) < length - len(CLASSES) - 1:
        rules.append(_next_rule(random, vendors, rules))
    rules += [Rule(usb_class=code, allow=random.random() < 0.5) for code in CLASSES]
    return [*rules[: length - 1], Rule()]


def _next_rule(random: Random, vendors: list[int], rules: list[Rule]) -> Rule:
    vendor, product = random.choice(vendors), random.randrange(0x2000)
    usb_class, version = random.choice(CLASSES), random.randrange(0x0100, 0x0130)
    allow = random.random() < 0.8
    kind = random.random()
    if kind < 0.55:
        return Rule(vendor=vendor, product=product, allow=allow)
    if kind < 0.75:
        return Rule(usb_class, vendor, product, allow=allow)
    if kind < 0.85:
        return Rule(vendor=vendor, product=product, version=version, allow=allow)
    if kind < 0.87:
        return Rule(vendor=vendor, allow=allow)
    if kind < 0.90:
        return Rule(usb_class, vendor, allow=allow)
    earlier = random.choice(rules)
    return Rule(
        earlier.usb_class if random.random() < 0.7 else usb_class,
        earlier.vendor if earlier.vendor != ANY else vendor,
        earlier.product if random.random() < 0.8 or earlier.product == ANY else product,
        earlier.version,
        allow,
    )


def changed(rules: list[Rule], seed: int, changes: int) -> list[Rule]:
    """A list with some rules turned around, moved, taken out and put in."""
    random = Random(seed)
    new = list(rules)
    for number in range(changes):
        place = random.randrange(len(new) - 1)
        rule = new[place]
        match number % 4:
            case 0:
                new[place] = Rule(
                    rule.usb_class, rule.vendor, rule.product, rule.version, not rule.allow
                )
            case 1:
                new.insert(random.randrange(len(new) - 1), new.pop(place))
            case 2:
                del new[place]
            case _:
                new.insert(place, _next_rule(random, [random.randrange(0xFFFF)], new))
    return new


def every_class_then_vendors(length: int) -> list[Rule]:
    """All but one class denied, the last class for vendor after vendor, then those vendors
    allowed: each of these is dead only through all 256 classes together.
    """
    vendors = (length - 255) // 2
    return [
        *(Rule(usb_class=code) for code in range(0xFF)),
        *(Rule(usb_class=0xFF, vendor=vendor) for vendor in range(vendors)),
        *(Rule(vendor=vendor, allow=True) for vendor in range(vendors)),
    ]


def staircase(length: int) -> list[Rule]:
    """One vendor, one product of any vendor, the next vendor, …: each meets all others."""
    return [
        Rule(vendor=number // 2, allow=True) if number % 2 else Rule(product=number // 2)
        for number in range(length)
    ]


def every_vendor(length: int) -> list[Rule]:
    """Every vendor denied, then rules that only this makes dead (length above 65,536)."""
    return [
        *(Rule(vendor=vendor) for vendor in range(0x10000)),
        *(
            Rule(number & 0xFF, product=number >> 8, allow=True)
            for number in range(length - 0x10000)
        ),
    ]


def almost_every_vendor(length: int) -> list[Rule]:
    """Every vendor with class 0x08, but one for each product: nothing is dead, all is near it."""
    half = length - 0x10000
    return [
        *(Rule(0x08, vendor=vendor) for vendor in range(0x10000)),
        *(Rule(0x08, product=number & 0xFFFF, allow=True) for number in range(half)),
    ]


def idle(length: int) -> list[Rule]:
    """A third of the rules change nothing, and each of them meets a third that decide otherwise."""
    third = length // 3
    return [
        *(Rule(0x08, number, 1) for number in range(third)),
        *(Rule(0x08, version=number) for number in range(third)),
        *(Rule(vendor=number, product=1, allow=True) for number in range(third)),
    ]
