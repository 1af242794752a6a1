"""Two rule lists against each other.

They are compared at every point (class, vendor, product, bcdDevice), and that is the same as
comparing them at every device, although a device is decided by several points.  Proof, for the
plain and the strict decision alike.  Which points of a device are checked depends on the device
alone: its class unless 0x00 or 0xEF, its interfaces but the skipped ones; it passes if all of them
pass (and nothing else is asked of the rules).

* If every point that list A lets through also passes B, every device that passes A passes B:
  the same points are checked.
* If A lets a point through that B does not, then the device with device class 0x00 and one
  interface of the point's class (see ``space.device_at``) is checked at this point only, by both
  decisions; it passes A and not B.

So no device tells two lists apart whose points are equal, one list is more permissive for devices
exactly if it is for points, and each region's witness is a device that shows it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from seatwright.policy.algebra.outcome import Forest, Outcome, outcome
from seatwright.policy.algebra.regions import Region, beyond
from seatwright.policy.algebra.space import AnyRule

Rules = Sequence[AnyRule] | Outcome
"""A rule list, or its tree where somebody has it already."""


class Relation(StrEnum):
    """How a new list stands to an old one."""

    EQUAL = "equal"
    MORE = "more permissive"
    LESS = "less permissive"
    NEITHER = "neither"
    """It lets through some devices that the old one kept, and keeps some that passed."""


@dataclass(frozen=True, slots=True)
class Comparison:
    """What a new list lets through beyond an old one (``gained``) and no longer (``lost``)."""

    gained: tuple[Region, ...]
    lost: tuple[Region, ...]

    @property
    def relation(self) -> Relation:
        """The new list's relation to the old one, in a word."""
        match bool(self.gained), bool(self.lost):
            case True, True:
                return Relation.NEITHER
            case True, False:
                return Relation.MORE
            case False, True:
                return Relation.LESS
            case _:
                return Relation.EQUAL


def compare(old: Rules, new: Rules, forest: Forest | None = None) -> Comparison:
    """Every difference between two lists.

    ``forest``: where to make their trees; lists that are compared again and again are
    best turned into outcomes of one forest once.  TooLarge and ValueError as in ``outcome``.
    """
    before, after = in_one_forest(old, new, forest)
    return Comparison(gained=beyond(after, before), lost=beyond(before, after))


def included(inner: Rules, outer: Rules, forest: Forest | None = None) -> tuple[Region, ...]:
    """What ``inner`` lets through and ``outer`` does not: nothing if inner is included in outer."""
    return beyond(*in_one_forest(inner, outer, forest))


def in_one_forest(
    first: Rules, second: Rules, forest: Forest | None = None
) -> tuple[Outcome, Outcome]:
    """Both lists' trees in one forest: the given one, else that of the first tree among them."""
    if forest is None:
        trees = (one for one in (first, second) if isinstance(one, Outcome))
        forest = next((tree.forest for tree in trees), None) or Forest()
    return tree_in(first, forest), tree_in(second, forest)


def tree_in(rules: Rules, forest: Forest) -> Outcome:
    """A list's tree in a forest, made unless it is there."""
    if isinstance(rules, Outcome):
        return rules if rules.forest is forest else outcome(rules.rules, forest)
    return outcome(rules, forest)
