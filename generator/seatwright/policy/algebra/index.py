"""Which rule of a list covers a box, and whether rules together leave a point of it free.

Rules are kept in one table for each shape (at most 16), by their values.  A rule covers a box if
its shape is part of the box's and the values are the same there: one look into each such table.

A box that no single rule covers can still be covered by several together, but only through a
field that it leaves open and whose every value some rule names: with a value that no rule names,
only rules that leave the field open matter, and they cover it for all values or for none.  So
open fields with a value nobody names are set to it, and only fields without such a value are gone
through, value by value: the class in lists of 256 rules or more, an id in lists of 65,536.  Hence
the usual cost of a question is a few looks, and the worst 256 times that for each open field
(65,536 for ids, where the list is that long).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from seatwright.policy.algebra.limits import Limit
from seatwright.policy.algebra.sets import natural
from seatwright.policy.algebra.space import EMPTY, MASKS, POINT, SHIFTS, Boxes, Space, field_of

MOST_LOOKS = 100_000_000
"""How many values of open fields one index goes through (about two minutes)."""

_STRIDE = 64
"""Looks are counted in steps of this."""

_HINT = (
    "they name every vendor, product or version one by one: "
    "a single rule for any value says the same"
)

NONE = -1
"""In place of a rule's index: no rule."""


@dataclass(frozen=True, slots=True)
class Cell:
    """Part of a box: the rules that cover it alone (of each shape the first), and whether
    it is a single point, so that no others cover it together.
    """

    rules: tuple[int, ...]
    is_point: bool


class Index:
    """The rules of a list that are present, found by what they cover.

    Questions take a box (shape, value) and ``before``, which leaves only rules of lower index,
    and some take ``without``, one rule that is looked through.
    """

    def __init__(self, boxes: Boxes, space: Space) -> None:
        self.boxes = boxes
        self.space = space
        self._tables: dict[int, dict[int, int]] = {}
        self._twins: dict[tuple[int, int], list[int]] = {}
        for rule, shape in enumerate(boxes.shapes):
            if shape != EMPTY:
                self._add(rule, shape, boxes.values[rule])
        self._below = [
            [(MASKS[part], table) for part, table in self._tables.items() if part & ~shape == 0]
            for shape in range(16)
        ]
        named = self._named_values()
        self._order = {
            field: self._rarest_first(named[field], field, size)
            for field, size in enumerate(space.sizes)
            if len(named[field]) == size
        }
        self._fillings = _fillings(named, space)
        self._looks = Limit(MOST_LOOKS, "combinations of values to look at", _HINT)

    def _add(self, rule: int, shape: int, value: int) -> None:
        table = self._tables.setdefault(shape, {})
        first = table.setdefault(value, rule)
        if first != rule:
            self._twins.setdefault((shape, value), [first]).append(rule)

    def _named_values(self) -> list[dict[int, int]]:
        """For each field, how many boxes name each value."""
        named: list[dict[int, int]] = [{}, {}, {}, {}]
        for shape, table in self._tables.items():
            for field in range(4):
                if shape >> field & 1:
                    counts = named[field]
                    for value in table:
                        number = field_of(value, field)
                        counts[number] = counts.get(number, 0) + 1
        return named

    def _rarest_first(self, counts: dict[int, int], field: int, size: int) -> list[int]:
        """The values of a field, those first that are least likely to be covered."""
        alone = self._tables.get(1 << field, {})
        shift = SHIFTS[field]
        return sorted(
            natural(field, size), key=lambda value: (value << shift in alone, counts[value])
        )

    def remove(self, rule: int) -> None:
        """Takes a rule out for good."""
        shape, value = self.boxes.shapes[rule], self.boxes.values[rule]
        if shape == EMPTY:
            return
        twins = self._twins.get((shape, value), [rule])
        twins.remove(rule)
        if not twins:
            del self._tables[shape][value]
        else:
            self._tables[shape][value] = twins[0]

    def first_cover(self, shape: int, value: int, before: int, without: int = NONE) -> int:
        """The first rule that covers a box alone, or NONE."""
        best = before
        for mask, table in self._below[shape]:
            rule = table.get(value & mask, before)
            if rule < best:
                if rule == without:
                    rule = self._next_twin(rule, before)
                best = min(rule, best)
        return best if best < before else NONE

    def _next_twin(self, rule: int, before: int) -> int:
        twins = self._twins.get((self.boxes.shapes[rule], self.boxes.values[rule]), ())
        return next((twin for twin in twins if twin > rule), before)

    def covers(self, shape: int, value: int, before: int) -> tuple[int, ...]:
        """The rules that cover a box alone, the first of each shape."""
        found = []
        for mask, table in self._below[shape]:
            rule = table.get(value & mask, before)
            if rule < before:
                found.append(rule)
        return tuple(found)

    def uncovered(self, shape: int, value: int, before: int, without: int = NONE) -> int | None:
        """A point (packed) of the box that no rule matches, or None: rules cover all of it."""
        if self.first_cover(shape, value, before, without) != NONE:
            return None
        shape, filling, open_fields = self._fillings[shape]
        if not open_fields:
            return value | filling
        return self._search(shape, value | filling, open_fields, before, without)

    def _search(
        self, shape: int, value: int, open_fields: tuple[int, ...], before: int, without: int
    ) -> int | None:
        """Goes through the values of the open fields; no rule covers the box alone."""
        if len(open_fields) == 1:
            return next(self._free(shape, value, open_fields[0], before, without), None)
        probe = self._probe(shape, value, open_fields, before, without)
        if probe is not None:
            return probe
        free = {
            field: list(self._free(shape, value, field, before, without)) for field in open_fields
        }
        field = min(open_fields, key=lambda one: len(free[one]))
        rest = tuple(one for one in open_fields if one != field)
        for narrowed in free[field]:
            found = self._search(shape | 1 << field, narrowed, rest, before, without)
            if found is not None:
                return found
        return None

    def _free(self, shape: int, value: int, field: int, before: int, without: int) -> Iterator[int]:
        """The box narrowed to one value of a field, for each value that no rule covers alone."""
        narrowed = shape | 1 << field
        for place, number in enumerate(self._order[field]):
            if not place % _STRIDE:
                self._looks.take(_STRIDE)
            box = value | number << SHIFTS[field]
            if self.first_cover(narrowed, box, before, without) == NONE:
                yield box

    def _probe(
        self, shape: int, value: int, open_fields: tuple[int, ...], before: int, without: int
    ) -> int | None:
        """A point among the likeliest few: most boxes are free there if anywhere."""
        full = shape | sum(1 << field for field in open_fields)
        for place in range(8):
            point = value
            for field in open_fields:
                order = self._order[field]
                point |= order[min(place, len(order) - 1)] << SHIFTS[field]
            if self.first_cover(full, point, before, without) == NONE:
                return point
        return None

    def cells(self, shape: int, value: int, before: int) -> Iterator[Cell]:
        """Cuts a box that rules cover, but none alone, into cells that are covered alone."""
        shape, filling, open_fields = self._fillings[shape]
        value |= filling
        field = self._least_free(shape, value, open_fields, before)
        shape |= 1 << field
        self._looks.take(len(self._order[field]))
        for number in self._order[field]:
            narrowed = value | number << SHIFTS[field]
            alone = self.covers(shape, narrowed, before)
            if alone:
                yield Cell(alone, shape == POINT)
            else:
                yield from self.cells(shape, narrowed, before)

    def _least_free(self, shape: int, value: int, open_fields: tuple[int, ...], before: int) -> int:
        """The field to go through, so that few of its values need going through another one."""
        if len(open_fields) == 1:
            return open_fields[0]
        return min(
            open_fields,
            key=lambda field: sum(1 for _ in self._free(shape, value, field, before, NONE)),
        )


def _fillings(named: list[dict[int, int]], space: Space) -> list[tuple[int, int, tuple[int, ...]]]:
    """For each shape: what it becomes when open fields get values that no rule names, those
    values, and the fields that have none.
    """
    unnamed = [
        next((value for value in natural(field, size) if value not in named[field]), None)
        for field, size in enumerate(space.sizes)
    ]
    fillings = []
    for shape in range(16):
        filled, filling, open_fields = shape, 0, []
        for field, value in enumerate(unnamed):
            if shape >> field & 1:
                continue
            if value is None:
                open_fields.append(field)
            else:
                filled |= 1 << field
                filling |= value << SHIFTS[field]
        fillings.append((filled, filling, tuple(open_fields)))
    return fillings
