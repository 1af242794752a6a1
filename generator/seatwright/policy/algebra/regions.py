"""Where rule lists differ, as few regions.

Walking trees of one forest together gives what is asked for as a set of boxes without overlap.
They are then merged: boxes that agree in all but one field become one, until nothing changes.
Vendor and product count as one field here, the id, so that a thousand devices treated alike are
one region.  The result is few regions, not always the fewest.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from typing import TypeVar

from seatwright.policy.algebra.outcome import LEVELS, Forest, Outcome
from seatwright.policy.algebra.sets import ValueSet, all_but, of_bits, pick, these
from seatwright.policy.algebra.space import CLASS, PRODUCT, VENDOR, VERSION, Point


@dataclass(frozen=True, slots=True)
class IdBox:
    """Every product of ``products`` of every vendor of ``vendors``."""

    vendors: ValueSet
    products: ValueSet

    def __contains__(self, device_id: tuple[int, int]) -> bool:
        return device_id[0] in self.vendors and device_id[1] in self.products


@dataclass(frozen=True, slots=True)
class Region:
    """The points with an id of any of ``ids`` (which do not overlap), one of ``versions`` and one
    of ``classes``; never empty.
    """

    ids: tuple[IdBox, ...]
    versions: ValueSet
    classes: ValueSet

    def __contains__(self, point: Point) -> bool:
        return (
            point.usb_class in self.classes
            and point.version in self.versions
            and any((point.vendor, point.product) in box for box in self.ids)
        )

    @property
    def witness(self) -> Point:
        """A point of the region, as natural as there is one."""
        return next(self.witnesses())

    def witnesses(self) -> Iterator[Point]:
        """A point for each of ``ids``."""
        usb_class = pick(self.classes, CLASS)
        version = pick(self.versions, VERSION)
        for box in self.ids:
            yield Point(usb_class, pick(box.vendors, VENDOR), pick(box.products, PRODUCT), version)


def beyond(first: Outcome, second: Outcome) -> tuple[Region, ...]:
    """What the first list lets through and the second does not, in regions without overlap.

    Both are of one forest. The order depends on the regions only.
    """
    return where((first, second), lambda one, two: one & ~two)


def where(outcomes: Sequence[Outcome], bits: Callable[..., int]) -> tuple[Region, ...]:
    """Where several lists decide in a certain way, in regions without overlap.

    ``bits`` is given the classes that pass each list (one bit each) and returns those that are
    meant; it is asked once for each way in which the lists decide together.  All lists are of one
    forest. The order depends on the regions only.
    """
    forest = outcomes[0].forest
    parts = _Walk(forest, bits).parts(tuple(one.root for one in outcomes))
    regions = [
        Region((IdBox(vendors, products),), versions, classes)
        for vendors, products, versions, classes in _boxes(parts, forest.space.classes)
    ]
    return tuple(sorted(_merged(regions), key=_order_of_region))


Part = tuple[ValueSet, "Below"]
"""Values of a level's field with one set of meant points below them."""

Below = int | tuple[Part, ...]
"""At the last level the meant classes as bits, else the parts of the level below."""

Nodes = tuple[int, ...]
"""A node of each tree, met together."""


class _Walk:
    """The meant points below nodes of several trees, the same nodes once."""

    def __init__(self, forest: Forest, bits: Callable[..., int]) -> None:
        self._forest, self._bits = forest, bits
        self._known: dict[Nodes, Below] = {}

    def parts(self, roots: Nodes) -> tuple[Part, ...]:
        """The parts of a tree's root."""
        below = self._below(0, roots)
        assert isinstance(below, tuple)
        return below

    def _below(self, level: int, nodes: Nodes) -> Below:
        known = self._known.get(nodes)
        if known is None:
            known = self._known[nodes] = self._look(level, nodes)
        return known

    def _look(self, level: int, nodes: Nodes) -> Below:
        if level == len(LEVELS):
            return self._bits(*(self._forest.classes_at(node) for node in nodes))
        return tuple(self._split(level, nodes))

    def _split(self, level: int, nodes: Nodes) -> Iterator[Part]:
        """Values with the same meant points below them together."""
        size = self._forest.space.sizes[LEVELS[level]]
        branches = [self._forest.branch_at(node) for node in nodes]
        named = frozenset[int]().union(*(branch.cases for branch in branches))
        others = tuple(branch.rest for branch in branches)
        rest = self._below(level + 1, others) if len(named) < size else ()
        alike: dict[Below, list[int]] = {}
        for value in named:
            below = tuple(branch.cases.get(value, branch.rest) for branch in branches)
            alike.setdefault(self._below(level + 1, below), []).append(value)
        if rest:
            yield all_but(named - set(alike.pop(rest, ())), size), rest
        for found, values in alike.items():
            if found:
                yield these(values, size), found


_Box = tuple[ValueSet, ValueSet, ValueSet, ValueSet]


def _boxes(parts: Iterable[Part], classes: int) -> Iterator[_Box]:
    """Parts within parts, written out: vendors, products, versions, classes."""
    of_class_bits = cache(of_bits)
    for vendors, of_vendor in parts:
        assert isinstance(of_vendor, tuple)
        for products, of_product in of_vendor:
            assert isinstance(of_product, tuple)
            for versions, bits in of_product:
                assert isinstance(bits, int)
                yield vendors, products, versions, of_class_bits(bits, classes)


def _merged(regions: list[Region]) -> list[Region]:
    """Regions that agree in all but one of id, versions and classes become one."""
    while True:
        before = len(regions)
        regions = _join(regions, lambda one: (one.versions, one.classes), _with_ids)
        regions = _join(regions, lambda one: (one.ids, one.classes), _with_versions)
        regions = _join(regions, lambda one: (one.ids, one.versions), _with_classes)
        if len(regions) == before:
            return regions


_Joined = TypeVar("_Joined", Region, IdBox)


def _join(
    parts: Iterable[_Joined],
    agree: Callable[[_Joined], Hashable],
    unite: Callable[[list[_Joined]], _Joined],
) -> list[_Joined]:
    groups: dict[Hashable, list[_Joined]] = {}
    for part in parts:
        groups.setdefault(agree(part), []).append(part)
    return [unite(group) if len(group) > 1 else group[0] for group in groups.values()]


def _with_ids(group: list[Region]) -> Region:
    ids = [box for region in group for box in region.ids]
    return Region(_merged_ids(ids), group[0].versions, group[0].classes)


def _with_versions(group: list[Region]) -> Region:
    versions = _union(region.versions for region in group)
    return Region(group[0].ids, versions, group[0].classes)


def _with_classes(group: list[Region]) -> Region:
    classes = _union(region.classes for region in group)
    return Region(group[0].ids, group[0].versions, classes)


def _merged_ids(boxes: list[IdBox]) -> tuple[IdBox, ...]:
    """Boxes that agree in vendors or in products become one; in the order of the ids."""
    while True:
        before = len(boxes)
        boxes = _join(boxes, lambda box: box.vendors, _with_products)
        boxes = _join(boxes, lambda box: box.products, _with_vendors)
        if len(boxes) == before:
            return tuple(sorted(boxes, key=_order_of_ids))


def _with_products(group: list[IdBox]) -> IdBox:
    return IdBox(group[0].vendors, _union(box.products for box in group))


def _with_vendors(group: list[IdBox]) -> IdBox:
    return IdBox(_union(box.vendors for box in group), group[0].products)


def _union(sets: Iterable[ValueSet]) -> ValueSet:
    """The values of all sets together (each listed value is touched once or twice)."""
    several = list(sets)
    size = several[0].size
    listed = frozenset[int]().union(*(one.listed for one in several if not one.inverted))
    outside = [one.listed for one in several if one.inverted]
    if not outside:
        return these(listed, size)
    return all_but(frozenset.intersection(*outside) - listed, size)


_SetOrder = tuple[bool, list[int]]


def _order_of_set(values: ValueSet) -> _SetOrder:
    return values.inverted, sorted(values.listed)


def _order_of_ids(box: IdBox) -> tuple[_SetOrder, _SetOrder]:
    return _order_of_set(box.vendors), _order_of_set(box.products)


def _order_of_region(region: Region) -> tuple[list[tuple[_SetOrder, _SetOrder]], object, object]:
    """What speaks of single ids first."""
    ids = [_order_of_ids(box) for box in region.ids]
    return ids, _order_of_set(region.classes), _order_of_set(region.versions)
