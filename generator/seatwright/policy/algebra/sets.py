"""Sets of a field's values: a few values, or all but a few."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import chain

from seatwright.policy.algebra.space import CLASS, PRODUCT, VENDOR, VERSION

_COMMON_CLASSES = (0xFF, 0x08, 0x07, 0x06, 0x03, 0x01, 0x0E, 0x02, 0x0B, 0x0A, 0xFE, 0xE0, 0x09)
_COMMON_VERSIONS = tuple(range(0x0100, 0x1000, 0x0100))

PREFERRED: dict[int, tuple[int, ...]] = {
    CLASS: _COMMON_CLASSES,
    VENDOR: (0x1209, *range(0xF000, 0xF010)),
    PRODUCT: (),
    VERSION: _COMMON_VERSIONS,
}
"""For each field, values that look natural in a witness, best first.

Vendor 1209 has ids set aside for invented devices; f000 and the next are nobody's (USB ID
repository, Debian package usb.ids 2025.07.26).
"""


@dataclass(frozen=True, slots=True)
class ValueSet:
    """Values of a field with ``size`` values: those listed or, ``inverted``, all but those.

    Made by :func:`these` and :func:`all_but`, which give each set one spelling, so that equal
    sets are equal values.
    """

    listed: frozenset[int]
    inverted: bool
    size: int

    def __contains__(self, value: int) -> bool:
        return (value in self.listed) != self.inverted

    def __len__(self) -> int:
        return self.size - len(self.listed) if self.inverted else len(self.listed)

    def __iter__(self) -> Iterator[int]:
        """The values in rising order."""
        if self.inverted:
            return (value for value in range(self.size) if value not in self.listed)
        return iter(sorted(self.listed))

    @property
    def is_all(self) -> bool:
        """Whether every value is in the set."""
        return self.inverted and not self.listed

    def union(self, other: ValueSet) -> ValueSet:
        """The values of both."""
        match self.inverted, other.inverted:
            case False, False:
                return these(self.listed | other.listed, self.size)
            case True, True:
                return all_but(self.listed & other.listed, self.size)
            case True, False:
                return all_but(self.listed - other.listed, self.size)
            case _:
                return all_but(other.listed - self.listed, self.size)


def these(values: Iterable[int], size: int) -> ValueSet:
    """The set of some values."""
    listed = frozenset(values)
    if 2 * len(listed) > size:
        return ValueSet(frozenset(range(size)) - listed, True, size)
    return ValueSet(listed, False, size)


def all_but(values: Iterable[int], size: int) -> ValueSet:
    """The set of all other values."""
    listed = frozenset(values)
    if 2 * len(listed) >= size:
        return ValueSet(frozenset(range(size)) - listed, False, size)
    return ValueSet(listed, True, size)


def of_bits(bits: int, size: int) -> ValueSet:
    """The set whose values are the places of the 1 bits."""
    return these(bit_places(bits), size)


def bit_places(bits: int) -> Iterator[int]:
    """The places of the 1 bits in rising order."""
    while bits:
        lowest = bits & -bits
        yield lowest.bit_length() - 1
        bits ^= lowest


def natural(field: int, size: int) -> Iterator[int]:
    """Every value of a field, those that look natural in a witness first, 0 last."""
    first = tuple(value for value in PREFERRED[field] if value < size)
    rest = (value for value in range(1, size) if value not in first)
    return chain(first, rest, (0,))


def pick(values: ValueSet, field: int) -> int:
    """The most natural value of a set that is not empty."""
    if values.inverted:
        return next(value for value in natural(field, values.size) if value in values)
    preferred = (value for value in PREFERRED[field] if value in values.listed)
    return next(preferred, None) or min(values.listed - {0}, default=0)
