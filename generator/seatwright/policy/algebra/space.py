"""Points, and rules as boxes over them.

A filter looks at four numbers at a time: a class, and the device's vendor, product and bcdDevice.
One such quadruple is a *point*.  A rule is a *box*: each field is one value or any.  Boxes are
packed, since everything here runs over lists of up to 100,000 rules: a box is its *shape* (one
bit for each field that has a value) and its values in one integer, fields without a value 0.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

from seatwright.usb.device import Device, Interface
from seatwright.usb.filter import ANY

FIELDS = ("usb_class", "vendor", "product", "version")
"""A point's fields; a field's place here is its bit in a shape."""

CLASS, VENDOR, PRODUCT, VERSION = range(4)
SHIFTS = (48, 32, 16, 0)
"""Where a field's value stands in a packed value."""

MASKS = tuple(
    sum(0xFFFF << SHIFTS[field] for field in range(4) if shape >> field & 1) for shape in range(16)
)
"""For each shape, the bits of a packed value that its fields take."""

POINT = 0b1111
"""The shape with a value in every field."""

EMPTY = -1
"""In place of a shape: a box that no point is in."""


class AnyRule(Protocol):
    """What is asked of a rule: ``usb.filter.Rule`` and ``plan.PlannedRule`` both will do."""

    @property
    def usb_class(self) -> int: ...
    @property
    def vendor(self) -> int: ...
    @property
    def product(self) -> int: ...
    @property
    def version(self) -> int: ...
    @property
    def allow(self) -> bool: ...


@dataclass(frozen=True, slots=True)
class Space:
    """How many values each field has. Smaller ones than USB's are for exhaustive tests.

    A field with one value is to be left open in rules: naming it is no other box then.
    """

    classes: int = 0x100
    vendors: int = 0x10000
    products: int = 0x10000
    versions: int = 0x10000

    @property
    def sizes(self) -> tuple[int, int, int, int]:
        """The sizes in the order of ``FIELDS``."""
        return self.classes, self.vendors, self.products, self.versions


USB = Space()
"""The space of real devices."""


@dataclass(frozen=True, slots=True, order=True)
class Point:
    """What one check of a filter looks at; ``version`` is the raw bcdDevice."""

    usb_class: int
    vendor: int
    product: int
    version: int


def device_at(point: Point) -> Device:
    """A device that both decisions judge by this point alone.

    Its device class says nothing and it has one interface, which is checked whatever its class
    (3/0/0 interfaces are skipped beside others only).
    """
    return Device(
        vendor=point.vendor,
        product=point.product,
        bcd_device=point.version,
        interfaces=(Interface(point.usb_class, 1, 1),),
    )


@dataclass(frozen=True, slots=True)
class Boxes:
    """The rules of one list, packed; ``shapes[i]`` is EMPTY where no point is in rule i."""

    shapes: list[int]
    values: list[int]

    def __len__(self) -> int:
        return len(self.shapes)


def pack(rules: Sequence[AnyRule], space: Space) -> Boxes:
    """The boxes of a list, rule by rule; ValueError for a field below -1."""
    boxes = Boxes([], [])
    top = [size - 1 for size in space.sizes]
    for index, rule in enumerate(rules):
        shape = value = 0
        fields = (rule.usb_class, rule.vendor, rule.product, rule.version)
        for field, number in enumerate(fields):
            if number == ANY:
                continue
            if number < 0:
                raise ValueError(f"rule {index + 1}: {FIELDS[field]} is {number}, below -1 (any)")
            shape |= 1 << field
            value |= number << SHIFTS[field]
            if number > top[field]:
                shape = EMPTY
                break
        boxes.shapes.append(shape)
        boxes.values.append(value)
    return boxes


def unpack(value: int) -> Point:
    """The point of a packed value."""
    return Point(value >> 48, value >> 32 & 0xFFFF, value >> 16 & 0xFFFF, value & 0xFFFF)


def pack_point(point: Point) -> int:
    """The packed value of a point."""
    return point.usb_class << 48 | point.vendor << 32 | point.product << 16 | point.version


def field_of(value: int, field: int) -> int:
    """One field of a packed value."""
    return value >> SHIFTS[field] & 0xFFFF
