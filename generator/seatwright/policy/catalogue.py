"""Decides whole catalogues: thousands of ids times some shapes of devices, by one rule list.

Called once for each device, usbredir's decision goes through the rules again and again, although
a list names few ids and treats all others alike.  Here it is the other way round: a set of ids is
one integer with a bit for each, a rule takes its ids out of those still undecided, and after one
pass over the rules all ids are decided for a class at once.  A shape passes where all its classes
pass.  So the cost is rules times classes, each a few operations on integers of some thousand bits.

The answers are those of ``usb.filter.decide`` and ``decide_strict``; tests compare them on random
lists and at every id that a list names, and tests/oracle with libusbredirparser.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import compress

from seatwright.policy.algebra.space import AnyRule
from seatwright.usb.device import Device
from seatwright.usb.filter import ANY, checked_classes


@dataclass(frozen=True, slots=True)
class Shape:
    """What a device is like apart from its id: a device whose vendor and product are not read.

    ``strict``: decide as our session does (``decide_strict``), else as usbredir does (``decide``).
    """

    device: Device
    strict: bool = False

    def of(self, vendor: int, product: int) -> Device:
        """The device of this shape with an id."""
        return replace(self.device, vendor=vendor, product=product)

    @property
    def needs(self) -> frozenset[int] | None:
        """The classes that all have to pass; None if such devices never do."""
        bare = not self.device.configured or not self.device.interfaces
        if self.strict and bare:
            return None
        return checked_classes(self.device, strict=self.strict)


class Catalogue:
    """Ids in rising order, each once; sets of them are integers, bit i for ``ids[i]``."""

    def __init__(self, ids: Iterable[tuple[int, int]]) -> None:
        self.ids: tuple[tuple[int, int], ...] = tuple(sorted(set(ids)))
        self.all = (1 << len(self.ids)) - 1
        self._by_id = {one: 1 << place for place, one in enumerate(self.ids)}
        self._by_vendor: dict[int, int] = {}
        self._by_product: dict[int, int] = {}
        for (vendor, product), bit in self._by_id.items():
            self._by_vendor[vendor] = self._by_vendor.get(vendor, 0) | bit
            self._by_product[product] = self._by_product.get(product, 0) | bit

    def named(self, vendor: int, product: int) -> int:
        """The ids that a rule with these fields speaks of."""
        if vendor == ANY:
            return self.all if product == ANY else self._by_product.get(product, 0)
        if product == ANY:
            return self._by_vendor.get(vendor, 0)
        return self._by_id.get((vendor, product), 0)

    def ids_in(self, members: int) -> Iterator[tuple[int, int]]:
        """The ids of a set, rising."""
        bits = (letter == "1" for letter in reversed(f"{members:b}"))
        return compress(self.ids, bits)

    def decide(self, rules: Sequence[AnyRule], shapes: Sequence[Shape]) -> list[int]:
        """For each shape, the ids with which it passes (first match, what none matches is kept)."""
        wanted = [(shape.device.bcd_device, shape.needs) for shape in shapes]
        boxes = [
            (rule.usb_class, rule.version, rule.allow, ids)
            for rule in rules
            if (ids := self.named(rule.vendor, rule.product))
        ]
        passing = {
            (usb_class, version): self._passing(boxes, usb_class, version)
            for version, needs in wanted
            for usb_class in needs or ()
        }
        return [self._together(passing, version, needs) for version, needs in wanted]

    def _passing(
        self, boxes: Iterable[tuple[int, int, bool, int]], usb_class: int, version: int
    ) -> int:
        """The ids at which a class passes, with a bcdDevice."""
        undecided, passing = self.all, 0
        for rule_class, rule_version, allow, ids in boxes:
            if rule_class in (usb_class, ANY) and rule_version in (version, ANY):
                decided = undecided & ids
                undecided ^= decided
                if allow:
                    passing |= decided
                if not undecided:
                    break
        return passing

    def _together(
        self, passing: dict[tuple[int, int], int], version: int, needs: frozenset[int] | None
    ) -> int:
        """The ids at which all classes pass that have to."""
        if needs is None:
            return 0
        members = self.all
        for usb_class in needs:
            members &= passing[usb_class, version]
        return members
