"""What a rule list decides at every point, as a tree that can be compared.

A tree asks for the vendor, then the product, then the bcdDevice; its leaves say for all classes
at once whether they pass (one bit each).  A *branch* has a child for each value that the list
names and one for the rest.  Equal subtrees are one object (a number in the :class:`Forest` that
holds them), so two lists of one forest are compared by looking only where they differ.

How a tree is made of rules.  At each level some rules name the value (of the vendor, say) and
some leave it open.  The open ones apply below every value; carrying them along would cost values
times rules.  So the rules at a place are kept in two parts: the *base*, those that leave open
every field asked so far, which is the same list at every place of a level; and a few *special*
ones.  What a place decides depends on its special rules and on how many base rules stand before
each of them; places that agree in that get one subtree, made once.

Cost: about one step for each rule where rules that leave the vendor open name neither product
nor bcdDevice (that is, for lists as people write them).  Otherwise every special place has to
look at every value the base names: the worst are lists that alternate rules for one vendor with
rules for one product of any vendor, half the list's length squared.  Where that gets too
large for memory, TooLarge is raised.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from seatwright.policy.algebra.limits import Limit
from seatwright.policy.algebra.sets import natural
from seatwright.policy.algebra.space import (
    CLASS,
    EMPTY,
    MASKS,
    PRODUCT,
    USB,
    VENDOR,
    VERSION,
    AnyRule,
    Boxes,
    Space,
    field_of,
    pack,
)

LEVELS = (VENDOR, PRODUCT, VERSION)
"""The field asked at each depth of a tree."""

BELOW = (0b1111, 0b1101, 0b1001, 0b0001)
"""For each depth, the shape of the fields not yet asked."""

MOST_CASES = 2_000_000
"""How many children all branches of a forest may have together (about 400 MB)."""

_LONGEST_KEY = 8
"""Places with more special rules than this are hardly ever like another one."""

_HEAVY = 64
"""From how many repeated rules on a base of its own is worth making."""


_HINT = (
    "rules for one vendor alternate with rules for one product of any vendor thousands of times: "
    "sort them by kind, or name vendor and product together"
)


@dataclass(frozen=True, slots=True)
class Branch:
    """A child for each value in ``cases``, and ``rest`` for all others (numbers of nodes)."""

    cases: Mapping[int, int]
    rest: int


class Forest:
    """Nodes by number, equal ones once: branches for vendor, product and version, then leaves."""

    def __init__(self, space: Space = USB, most_cases: int = MOST_CASES) -> None:
        self.space = space
        self._cases = Limit(most_cases, "different parts of the devices", _HINT)
        self._branches: dict[int, Branch] = {}
        self._leaves: dict[int, int] = {}
        self._numbers: dict[object, int] = {}

    def leaf(self, classes: int) -> int:
        """The number of a leaf: the classes that pass, one bit each."""
        number = self._numbers.setdefault(classes, len(self._numbers))
        self._leaves[number] = classes
        return number

    def branch(self, cases: Mapping[int, int], rest: int) -> int:
        """The number of a branch."""
        kept = {value: child for value, child in cases.items() if child != rest}
        key = rest, frozenset(kept.items())
        number = self._numbers.get(key)
        if number is None:
            self._cases.take(len(kept))
            number = self._numbers[key] = len(self._numbers)
            self._branches[number] = Branch(kept, rest)
        return number

    def branch_at(self, number: int) -> Branch:
        """A branch by its number."""
        return self._branches[number]

    def classes_at(self, number: int) -> int:
        """A leaf by its number."""
        return self._leaves[number]


@dataclass(frozen=True, slots=True)
class Place:
    """The classes that pass (one bit each) at one id and version."""

    vendor: int
    product: int
    version: int
    classes: int


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a list decides; ``root`` is the number of its tree in the forest."""

    rules: tuple[AnyRule, ...]
    forest: Forest
    root: int

    def classes(self, vendor: int, product: int, version: int) -> int:
        """The classes that pass at one id and version, one bit each."""
        number = self.root
        for value in (vendor, product, version):
            branch = self.forest.branch_at(number)
            number = branch.cases.get(value, branch.rest)
        return self.forest.classes_at(number)

    def places(
        self, vendor: int | None, product: int | None, version: int | None
    ) -> Iterator[Place]:
        """One place for each way in which the list treats an id and version; None is any."""
        level: dict[int, tuple[int, ...]] = {self.root: ()}
        for field, wanted in zip(LEVELS, (vendor, product, version), strict=True):
            below: dict[int, tuple[int, ...]] = {}
            for number, values in level.items():
                for value, child in self._children(number, field, wanted):
                    below.setdefault(child, (*values, value))
            level = below
        for number, (one, two, three) in level.items():
            yield Place(one, two, three, self.forest.classes_at(number))

    def _children(self, number: int, field: int, wanted: int | None) -> Iterator[tuple[int, int]]:
        branch = self.forest.branch_at(number)
        if wanted is not None:
            yield wanted, branch.cases.get(wanted, branch.rest)
            return
        size = self.forest.space.sizes[field]
        unnamed = next((one for one in natural(field, size) if one not in branch.cases), None)
        if unnamed is not None:
            yield unnamed, branch.rest
        yield from branch.cases.items()


def outcome(rules: Sequence[AnyRule], forest: Forest | None = None) -> Outcome:
    """The tree of a list, in a forest of its own if none is given.

    TooLarge where it does not fit the forest, ValueError for a field below -1.
    """
    forest = Forest() if forest is None else forest
    boxes = pack(rules, forest.space)
    root = _Grower(boxes, [rule.allow for rule in rules], forest).grow()
    return Outcome(tuple(rules), forest, root)


@dataclass(frozen=True, slots=True)
class _Base:
    """The rules that apply at every place of a level.

    ``number`` tells it from other bases; ``rules`` rising; ``named``: those that name the
    level's field, by value, values in the order of their first rule; ``upper``: the base one
    level on.
    At the last level ``decided`` and ``allowed`` have, for each number of rules from the start,
    the classes that these decide and let through.
    """

    number: int
    rules: list[int]
    named: dict[int, list[int]]
    upper: _Base | None
    decided: list[int]
    allowed: list[int]


class _Grower:
    """Makes the tree of one list."""

    def __init__(self, boxes: Boxes, allows: list[bool], forest: Forest) -> None:
        self._shapes, self._values = boxes.shapes, boxes.values
        self._allows = allows
        self._forest = forest
        self._every_class = (1 << forest.space.classes) - 1
        self._made: dict[object, int] = {}
        self._bases = 0

    def grow(self) -> int:
        """The number of the root."""
        rules = [rule for rule, shape in enumerate(self._shapes) if shape != EMPTY]
        return self._node(0, self._base(0, rules), [])

    def _base(self, level: int, rules: list[int]) -> _Base:
        """A base; what comes after a rule for everything is never met."""
        last = next(
            (place for place, rule in enumerate(rules) if not self._shapes[rule] & BELOW[level]),
            len(rules),
        )
        rules = rules[: last + 1]
        self._bases += 1
        if level == len(LEVELS):
            return self._last_base(self._bases, rules)
        number = self._bases
        named, others = self._split(level, rules)
        return _Base(number, rules, named, self._base(level + 1, others), [], [])

    def _last_base(self, number: int, rules: list[int]) -> _Base:
        kept, decided, allowed = [], [0], [0]
        for rule in rules:
            new = self._class_bits(rule) & ~decided[-1]
            if new:
                kept.append(rule)
                decided.append(decided[-1] | new)
                allowed.append(allowed[-1] | new if self._allows[rule] else allowed[-1])
        return _Base(number, kept, {}, None, decided, allowed)

    def _split(self, level: int, rules: list[int]) -> tuple[dict[int, list[int]], list[int]]:
        """The rules that name the level's field, by value, and the others."""
        field = LEVELS[level]
        named: dict[int, list[int]] = {}
        others = []
        for rule in rules:
            if self._shapes[rule] >> field & 1:
                named.setdefault(field_of(self._values[rule], field), []).append(rule)
            else:
                others.append(rule)
        return named, others

    def _node(self, level: int, base: _Base, special: list[int]) -> int:
        """The node of a place with its special rules (rising)."""
        if level == len(LEVELS):
            return self._leaf(base, special)
        if len(special) > _LONGEST_KEY:
            return self._branch(level, base, special)
        key = level, base.number, self._likeness(level, base, special)
        number = self._made.get(key)
        if number is None:
            number = self._made[key] = self._branch(level, base, special)
        return number

    def _likeness(self, level: int, base: _Base, special: list[int]) -> tuple[object, ...]:
        """What the outcome of a place depends on, and no more."""
        below = BELOW[level]
        return tuple(
            (
                shape := self._shapes[rule] & below,
                self._values[rule] & MASKS[shape],
                self._allows[rule],
                bisect_left(base.rules, rule),
            )
            for rule in special
        )

    def _branch(self, level: int, base: _Base, special: list[int]) -> int:
        upper = base.upper
        assert upper is not None  # only the last level has none, and it has leaves
        special, end = self._met(level, special)
        named, shared = self._split(level, special)
        if len(shared) * len(named) > _HEAVY + len(upper.rules):
            upper, shared = self._base(level + 1, sorted(upper.rules + shared)), []
        rest = self._node(level + 1, upper, shared)
        cases = {}
        for value, own in named.items():
            own = sorted(own + shared + base.named.get(value, []))
            cases[value] = self._node(level + 1, upper, own)
        for value, of_base in base.named.items():
            if of_base[0] > end:
                break
            if value not in cases:
                cases[value] = self._node(level + 1, upper, sorted(of_base + shared))
        return self._forest.branch(cases, rest)

    def _met(self, level: int, special: list[int]) -> tuple[list[int], int]:
        """The special rules up to the first for everything, and that one."""
        for place, rule in enumerate(special):
            if not self._shapes[rule] & BELOW[level]:
                return special[: place + 1], rule
        return special, len(self._shapes)

    def _leaf(self, base: _Base, special: list[int]) -> int:
        """First match over the classes: special rules, and the base rules between them."""
        decided = allowed = 0
        for rule in special:
            before = bisect_left(base.rules, rule)
            allowed |= base.allowed[before] & ~decided
            decided |= base.decided[before]
            new = self._class_bits(rule) & ~decided
            decided |= new
            if self._allows[rule]:
                allowed |= new
        return self._forest.leaf(allowed | base.allowed[-1] & ~decided)

    def _class_bits(self, rule: int) -> int:
        """The classes a rule speaks of."""
        if self._shapes[rule] >> CLASS & 1:
            return 1 << field_of(self._values[rule], CLASS)
        return self._every_class
