"""Rules that can be left out: without them the list lets through exactly what it did.

More rules can be left out than are dead: one that is reached changes nothing either if, wherever it
decides, the next rule that matches (or the default, which keeps) says the same.  So a rule i is
*needed* exactly if there is a point in it that no earlier rule matches and where the next match
decides otherwise: a rule k of the other decision, such that the part i and k share is not
covered by the rules before k without i; or, for a rule that lets through, a point that no other
rule matches.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass

from seatwright.policy.algebra.index import NONE, Index
from seatwright.policy.algebra.limits import Limit
from seatwright.policy.algebra.reach import analyse
from seatwright.policy.algebra.space import (
    EMPTY,
    MASKS,
    POINT,
    USB,
    AnyRule,
    Space,
    pack,
    pack_point,
)

MOST_PAIRS = 20_000_000
"""How many pairs of rules that contradict each other are looked at (about two minutes)."""

_HINT = "write the shorter list by hand and compare the two: that takes a step for each rule"


@dataclass(frozen=True, slots=True)
class Minimal:
    """Indices of the rules that are kept and of those that were left out, both rising."""

    kept: tuple[int, ...]
    left_out: tuple[int, ...]


def changes_nothing(rules: Sequence[AnyRule], rule: int, space: Space = USB) -> bool:
    """Whether the list without one rule lets through the same."""
    return not _Needs(rules, space).needed(rule)


def can_be_left_out(rules: Sequence[AnyRule], space: Space = USB) -> tuple[int, ...]:
    """The rules that each alone can be left out (two of them together perhaps not)."""
    needs = _Needs(rules, space)
    return tuple(rule for rule in range(len(rules)) if not needs.needed(rule))


def minimise(rules: Sequence[AnyRule], exempt: Collection[int] = (), space: Space = USB) -> Minimal:
    """Leaves out rules until every one that is left is needed, those of ``exempt`` aside.

    The result lets through the same.  It is not always the shortest list that does, and no
    rule is changed or moved.  From the end to the beginning once is enough: leaving out an earlier
    rule that changes nothing never makes a later, needed one superfluous (at the point that shows
    the need, the later rule is the first that matches, so the earlier one does not match).
    """
    needs = _Needs(rules, space)
    candidates = [rule for rule in range(len(rules) - 1, -1, -1) if rule not in exempt]
    for rule in filter(needs.dead, candidates):
        needs.leave_out(rule)
    for rule in candidates:
        if not needs.dead(rule) and not needs.needed(rule):
            needs.leave_out(rule)
    kept = needs.present
    return Minimal(kept, tuple(sorted(set(range(len(rules))).difference(kept))))


class _Needs:
    """A list from which rules are left out one by one, later ones before earlier ones."""

    def __init__(self, rules: Sequence[AnyRule], space: Space) -> None:
        self._boxes = pack(rules, space)
        self._allows = [rule.allow for rule in rules]
        self._index = Index(self._boxes, space)
        self._decides_at: dict[int, int] = {}
        for fate in analyse(rules, space).fates:
            if not fate.dead and fate.witness is not None:
                self._decides_at[fate.rule] = pack_point(fate.witness)
        self._present = set(range(len(rules)))
        self._partners: dict[tuple[int, int, bool], dict[int, list[int]]] = {}
        self._pairs = Limit(MOST_PAIRS, "pairs that contradict each other", _HINT)
        self._kinds = sorted(set(zip(self._boxes.shapes, self._allows, strict=True)))

    @property
    def present(self) -> tuple[int, ...]:
        """The rules that are left, rising."""
        return tuple(sorted(self._present))

    def dead(self, rule: int) -> bool:
        """Whether a rule decides nowhere, in the list as it was."""
        return rule not in self._decides_at

    def leave_out(self, rule: int) -> None:
        """Takes a rule out of the list."""
        self._index.remove(rule)
        self._present.remove(rule)

    def needed(self, rule: int) -> bool:
        """Whether leaving out a rule changes what the list lets through."""
        if self.dead(rule):
            return False
        if self._decides_otherwise_next(rule, self._decides_at[rule]):
            return True
        if self._allows[rule] and self._meets_default(rule):
            return True
        return any(self._meets(rule, other) for other in self._contradicting(rule))

    def _decides_otherwise_next(self, rule: int, point: int) -> bool:
        """At a point that the rule decides: whether what comes next decides otherwise."""
        following = self._index.first_cover(POINT, point, len(self._boxes), rule)
        decision = following != NONE and self._allows[following]
        return decision != self._allows[rule]

    def _meets_default(self, rule: int) -> bool:
        shape, value = self._boxes.shapes[rule], self._boxes.values[rule]
        return self._index.uncovered(shape, value, len(self._boxes), rule) is not None

    def _meets(self, rule: int, other: int) -> bool:
        """Whether the other rule would be the first to match somewhere in the rule."""
        self._pairs.take()
        shapes, values = self._boxes.shapes, self._boxes.values
        shape, value = shapes[rule] | shapes[other], values[rule] | values[other]
        return self._index.uncovered(shape, value, other, rule) is not None

    def _contradicting(self, rule: int) -> Iterator[int]:
        """Later rules that share points with a rule and decide otherwise."""
        shape, value = self._boxes.shapes[rule], self._boxes.values[rule]
        otherwise = not self._allows[rule]
        for other_shape, allow in self._kinds:
            if allow == otherwise and other_shape != EMPTY:
                both = shape & other_shape
                table = self._partner_table(other_shape, both, otherwise)
                for other in table.get(value & MASKS[both], ()):
                    if other > rule and other in self._present:
                        yield other

    def _partner_table(self, shape: int, fields: int, allow: bool) -> dict[int, list[int]]:
        """The rules of a shape and decision by their values in some of its fields.

        Made of those present when first asked for, later ones left out are still in it.
        """
        table = self._partners.get((shape, fields, allow))
        if table is None:
            table = self._partners[shape, fields, allow] = {}
            mask = MASKS[fields]
            for rule in self.present:
                if (self._boxes.shapes[rule], self._allows[rule]) == (shape, allow):
                    table.setdefault(self._boxes.values[rule] & mask, []).append(rule)
        return table
