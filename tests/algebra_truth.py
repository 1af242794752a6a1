"""The truth about small rule lists, by going through every point: what the algebra is held to.

Written down independently of it, as short as it goes.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from random import Random

from seatwright.policy.algebra import AnyRule, Point, Space
from seatwright.usb.filter import ANY, Rule


def points(space: Space) -> list[Point]:
    """Every point of a space."""
    return [Point(*fields) for fields in itertools.product(*map(range, space.sizes))]


def matches(rule: AnyRule, point: Point) -> bool:
    pattern = (rule.usb_class, rule.vendor, rule.product, rule.version)
    values = (point.usb_class, point.vendor, point.product, point.version)
    return all(want in (ANY, have) for want, have in zip(pattern, values, strict=True))


def first_match(rules: Sequence[AnyRule], point: Point) -> int | None:
    return next((index for index, rule in enumerate(rules) if matches(rule, point)), None)


def allows(rules: Sequence[AnyRule], point: Point) -> bool:
    first = first_match(rules, point)
    return first is not None and rules[first].allow


def function(rules: Sequence[AnyRule], space_points: Sequence[Point]) -> tuple[bool, ...]:
    return tuple(allows(rules, point) for point in space_points)


def without(rules: Sequence[AnyRule], index: int) -> list[AnyRule]:
    return [*rules[:index], *rules[index + 1 :]]


def all_rules(space: Space) -> list[Rule]:
    """Every rule of a space, fields with one value left open."""
    values = [(ANY, *range(size)) if size > 1 else (ANY,) for size in space.sizes]
    return [
        Rule(*fields, allow) for fields in itertools.product(*values) for allow in (False, True)
    ]


def all_lists(space: Space, longest: int) -> Iterator[tuple[Rule, ...]]:
    """Every rule list up to a length."""
    rules = all_rules(space)
    for length in range(longest + 1):
        yield from itertools.product(rules, repeat=length)


def random_lists(random: Random, space: Space, longest: int, number: int) -> Iterator[list[Rule]]:
    """Lists of random rules, fields with one value left open."""
    for _ in range(number):
        open_share = random.choice((0.2, 0.5, 0.7))
        yield [
            Rule(
                *(ANY if size == 1 or random.random() < open_share else random.randrange(size)
                  for size in space.sizes),
                random.random() < 0.5,
            )
            for _ in range(random.randrange(longest + 1))
        ]  # fmt: skip
