"""For each rule of a list: whether it ever decides, and what decides in its place.

A rule is reached if some point meets it first.  A rule that is not reached is covered by earlier
ones: by one of them alone or only by several together.  It is *noise* if it is heard all the
same, because what covers it decides as it does, and an *error* if one of the covering rules
decides otherwise at some point of it.

Which rules are named as the cover: of those that cover it alone, the first, since that one
decides; otherwise a small set found greedily (the rule that covers most of what is left, again
and again, then those that turned out to be spare are dropped).  It is not always the smallest.
Rules that are dead themselves are never named.
"""

from __future__ import annotations

import heapq
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from seatwright.policy.algebra.index import NONE, Index
from seatwright.policy.algebra.limits import Limit
from seatwright.policy.algebra.space import (
    EMPTY,
    MASKS,
    USB,
    AnyRule,
    Boxes,
    Point,
    Space,
    pack,
    unpack,
)

MOST_COVERING = 20_000_000
"""How many rules all different covers may have together (about 200 MB)."""

_HINT = "single rules for every value do what one rule for any value does"


class Reach(StrEnum):
    """Whether a rule decides anything, and why not."""

    REACHED = "reached"
    COVERED_BY_ONE = "covered by one"
    COVERED_TOGETHER = "covered together"
    EMPTY = "empty"
    """A field is above its highest value: no device meets the rule."""


@dataclass(frozen=True, slots=True)
class Fate:
    """What becomes of one rule.

    ``witness``: for a rule that is reached, a point that meets it first; for an error, a point of
    the rule where ``contradicted_by`` decides, and decides otherwise; None else.
    ``cover``: indices of rules that together cover it, rising.
    """

    rule: int
    reach: Reach
    witness: Point | None = None
    cover: tuple[int, ...] = ()
    contradicted_by: int | None = None

    @property
    def dead(self) -> bool:
        """Whether the rule never decides."""
        return self.reach is not Reach.REACHED

    @property
    def error(self) -> bool:
        """Whether the rule is dead and an earlier one decides otherwise in its place."""
        return self.contradicted_by is not None

    @property
    def noise(self) -> bool:
        """Whether the rule is dead and its cover decides as it would have."""
        return bool(self.cover) and not self.error


@dataclass(frozen=True, slots=True)
class Analysis:
    """The fate of every rule of a list, in the order of the list."""

    fates: tuple[Fate, ...]

    @property
    def dead(self) -> tuple[Fate, ...]:
        """The fates of the rules that never decide."""
        return tuple(fate for fate in self.fates if fate.dead)

    @property
    def errors(self) -> tuple[Fate, ...]:
        """The fates of the dead rules that an earlier one contradicts."""
        return tuple(fate for fate in self.fates if fate.error)


def analyse(rules: Sequence[AnyRule], space: Space = USB) -> Analysis:
    """The fate of every rule. ValueError for a field below -1, TooLarge as in ``limits``."""
    boxes = pack(rules, space)
    index = Index(boxes, space)
    allows = [rule.allow for rule in rules]
    known = _KnownCovers(boxes, Limit(MOST_COVERING, "covering rules to name", _HINT))
    fates = []
    for rule in range(len(boxes)):
        fate = _fate(rule, index, allows, known)
        if fate.dead:
            index.remove(rule)
        fates.append(fate)
    return Analysis(tuple(fates))


def _fate(rule: int, index: Index, allows: Sequence[bool], known: _KnownCovers) -> Fate:
    shape, value = index.boxes.shapes[rule], index.boxes.values[rule]
    if shape == EMPTY:
        return Fate(rule, Reach.EMPTY)
    alone = index.first_cover(shape, value, rule)
    if alone != NONE:
        return _dead(rule, Reach.COVERED_BY_ONE, (alone,), index, allows)
    cover = known.find(shape, value)
    if cover is None:
        point = index.uncovered(shape, value, rule)
        if point is not None:
            return Fate(rule, Reach.REACHED, unpack(point))
    if not cover:
        cover = _small_cover(shape, value, rule, index)
        known.add(shape, value, cover)
    return _dead(rule, Reach.COVERED_TOGETHER, cover, index, allows)


def _dead(
    rule: int, reach: Reach, cover: tuple[int, ...], index: Index, allows: Sequence[bool]
) -> Fate:
    """The fate of a covered rule; its witness is a point where the cover decides otherwise."""
    shapes, values = index.boxes.shapes, index.boxes.values
    for other in cover:
        if allows[other] != allows[rule]:
            shape, value = shapes[rule] | shapes[other], values[rule] | values[other]
            point = index.uncovered(shape, value, other)
            if point is not None:
                return Fate(rule, reach, unpack(point), cover, contradicted_by=other)
    return Fate(rule, reach, None, cover)


class _KnownCovers:
    """Boxes found to be covered by several rules, so that later rules in them need no search.

    A cover covers more than the box it was found for: of the box's fields only those count
    that a rule of the cover names.
    """

    def __init__(self, boxes: Boxes, limit: Limit) -> None:
        self._boxes = boxes
        self._limit = limit
        self._tables: dict[int, dict[int, tuple[int, tuple[int, ...]]]] = {}

    def add(self, shape: int, value: int, cover: tuple[int, ...]) -> None:
        """Remembers a cover of a box under the widest box it covers."""
        self._limit.take(len(cover))
        named = 0
        for rule in cover:
            named |= self._boxes.shapes[rule]
        wide = shape & named
        self._tables.setdefault(wide, {})[value & MASKS[wide]] = named, cover

    def find(self, shape: int, value: int) -> tuple[int, ...] | None:
        """A cover of a box that needs all its rules; () if the known ones are larger than needed
        (the box has a value of its own in a field that the cover goes through); None if no cover
        is known.
        """
        found: tuple[int, ...] | None = None
        for wide, table in self._tables.items():
            if wide & ~shape == 0 and (value & MASKS[wide]) in table:
                named, cover = table[value & MASKS[wide]]
                if shape & named == wide:
                    return cover
                found = ()
        return found


def _small_cover(shape: int, value: int, before: int, index: Index) -> tuple[int, ...]:
    """A few rules that cover a box, none of them spare; rising order."""
    cells = list(index.cells(shape, value, before))
    needed = {cell.rules[0] for cell in cells if cell.is_point and len(cell.rules) == 1}
    left = [cell.rules for cell in cells if needed.isdisjoint(cell.rules)]
    if not left:
        return tuple(sorted(needed))
    picked = [*_pick_greedily(left), *sorted(needed)]
    return _without_spare(shape, value, picked, index)


def _without_spare(shape: int, value: int, cover: Sequence[int], index: Index) -> tuple[int, ...]:
    """A cover less the rules whose part of the box the others cover, the first tried first."""
    boxes = Boxes(
        [index.boxes.shapes[rule] for rule in cover],
        [index.boxes.values[rule] for rule in cover],
    )
    among_them = Index(boxes, index.space)
    kept = []
    for place, rule in enumerate(cover):
        own_shape, own_value = shape | boxes.shapes[place], value | boxes.values[place]
        if among_them.uncovered(own_shape, own_value, len(cover), without=place) is None:
            among_them.remove(place)
        else:
            kept.append(rule)
    return tuple(sorted(kept))


def _pick_greedily(cells: Sequence[tuple[int, ...]]) -> list[int]:
    """Rules such that each cell has one of them, the last picked first; ``cells`` lists each
    cell's rules.

    Counts of what is left only fall, so a rule whose count on the heap still holds is the best.
    """
    of_rule: dict[int, list[int]] = {}
    for cell, rules in enumerate(cells):
        for rule in rules:
            of_rule.setdefault(rule, []).append(cell)
    heap = [(-len(own), rule) for rule, own in of_rule.items()]
    heapq.heapify(heap)
    done = [False] * len(cells)
    left = len(cells)
    picked = []
    while left:
        count, rule = heapq.heappop(heap)
        now = sum(not done[cell] for cell in of_rule[rule])
        if now != -count:
            heapq.heappush(heap, (-now, rule))
            continue
        for cell in of_rule[rule]:
            done[cell] = True
        left -= now
        picked.append(rule)
    return picked[::-1]
