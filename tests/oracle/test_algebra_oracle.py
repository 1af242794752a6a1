"""The algebra's claims put to libusbredirparser (Debian, 0.13): it is the judge of every witness.

Thousands of random list pairs: each region's witnesses are decided by the library under both
lists, plain and strict; devices outside all regions must not tell the lists apart.  Fates: at the
witness of a rule that is reached, turning the rule around turns the library's decision.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import product
from random import Random

import pytest
from random_pairs import CLASSES, IDS, VERSIONS, random_device, random_rules
from redir_library import STRICT, RedirLibrary

from seatwright.policy.algebra import (
    Passing,
    Pattern,
    Point,
    Region,
    Relation,
    analyse,
    compare,
    device_at,
    minimise,
    passes,
)
from seatwright.usb.device import Device, Interface
from seatwright.usb.filter import ANY, Rule

SEED = 20_240_420
PAIRS = 3_000
LISTS = 1_500
PATTERNS = 1_500
PLAIN = 0


@pytest.fixture(scope="module")
def library() -> RedirLibrary:
    return RedirLibrary()


class Judge:
    """The library's decision under one list."""

    def __init__(self, library: RedirLibrary, rules: Sequence[Rule]) -> None:
        self._library = library
        self._rules = library.rules(rules)

    def lets_through(self, device: Device, flags: int) -> bool:
        return self._library.check(self._rules, device, flags) == 0

    def lets_point_through(self, point: Point) -> bool:
        """At a point, with plain and strict decision alike."""
        plain, strict = (self.lets_through(device_at(point), flags) for flags in (PLAIN, STRICT))
        assert plain == strict
        return plain


def random_point(random: Random) -> Point:
    """Mostly of values that the random rules name."""
    return Point(
        random.choice((*CLASSES, random.randrange(256))),
        random.choice((*IDS, random.randrange(65536))),
        random.choice((*IDS, random.randrange(65536))),
        random.choice((*VERSIONS, random.randrange(65536))),
    )


def list_pairs(random: Random) -> Iterator[tuple[tuple[Rule, ...], tuple[Rule, ...]]]:
    """Two lists each time; half of them differ by one rule, moved, turned around or put in."""
    for _ in range(PAIRS):
        old, new = random_rules(random), random_rules(random)
        if old and random.random() < 0.5:
            place = random.randrange(len(old))
            moved = list(old)
            rule = moved.pop(place)
            if random.random() < 0.3:
                rule = replace(rule, allow=not rule.allow)
            if random.random() < 0.3:
                moved.append(rule)
            moved.insert(random.randrange(len(moved) + 1), rule)
            new = tuple(moved)
        yield old, new


def test_every_region_of_thousands_of_pairs(library: RedirLibrary) -> None:
    random = Random(SEED)
    seen: Counter[object] = Counter()
    for old, new in list_pairs(random):
        before, after = Judge(library, old), Judge(library, new)
        comparison = compare(old, new)
        seen[comparison.relation] += 1
        seen["regions"] += check_witnesses(comparison.gained, after, before)
        seen["regions"] += check_witnesses(comparison.lost, before, after)
        for _ in range(10):
            point = random_point(random)
            one, two = before.lets_point_through(point), after.lets_point_through(point)
            assert (two and not one) == any(point in region for region in comparison.gained)
            assert (one and not two) == any(point in region for region in comparison.lost)
            seen["differing points"] += one != two
        for _ in range(10):
            check_device(random_device(random), before, after, comparison.relation)
    assert all(seen[relation] > PAIRS // 20 for relation in Relation), seen
    assert seen["regions"] > PAIRS and seen["differing points"] > PAIRS, seen


def check_witnesses(regions: Sequence[Region], passing: Judge, keeping: Judge) -> int:
    for region in regions:
        for witness in region.witnesses():
            assert passing.lets_point_through(witness)
            assert not keeping.lets_point_through(witness)
    return len(regions)


def check_device(device: Device, before: Judge, after: Judge, relation: Relation) -> None:
    """A composite device tells the lists apart only as their relation says."""
    for flags in (PLAIN, STRICT):
        one, two = before.lets_through(device, flags), after.lets_through(device, flags)
        if relation in (Relation.EQUAL, Relation.MORE):
            assert two or not one
        if relation in (Relation.EQUAL, Relation.LESS):
            assert one or not two


def test_fates_and_what_is_left_out(library: RedirLibrary) -> None:
    random = Random(SEED + 1)
    seen: Counter[str] = Counter()
    for _ in range(LISTS):
        rules = random_rules(random)
        judge = Judge(library, rules)
        for fate in analyse(rules).fates:
            turned = list(rules)
            turned[fate.rule] = replace(turned[fate.rule], allow=not turned[fate.rule].allow)
            other = Judge(library, turned)
            if not fate.dead:
                assert fate.witness is not None
                allows = rules[fate.rule].allow
                assert judge.lets_point_through(fate.witness) == allows
                assert other.lets_point_through(fate.witness) != allows
                continue
            for _ in range(20):
                point = random_point_of(random, rules[fate.rule])
                assert judge.lets_point_through(point) == other.lets_point_through(point)
            if fate.error:
                assert fate.witness is not None
                assert judge.lets_point_through(fate.witness) != rules[fate.rule].allow
            seen["error" if fate.error else "noise"] += 1
        seen["left out"] += check_minimal(rules, judge, library, random)
    assert min(seen.values()) > 200, seen


def random_point_of(random: Random, rule: Rule) -> Point:
    point = random_point(random)
    fields = {
        name: value
        for name in ("usb_class", "vendor", "product", "version")
        if (value := getattr(rule, name)) != ANY
    }
    return replace(point, **fields)


def check_minimal(
    rules: Sequence[Rule], judge: Judge, library: RedirLibrary, random: Random
) -> int:
    minimal = minimise(rules)
    shorter = Judge(library, [rules[index] for index in minimal.kept])
    points = [random_point(random) for _ in range(5)]
    points += [random_point_of(random, rules[index]) for index in minimal.left_out for _ in "123"]
    for point in points:
        assert judge.lets_point_through(point) == shorter.lets_point_through(point)
    return len(minimal.left_out)


SHAPES = (
    Interface(0x03, 0, 0),
    Interface(0x03, 1, 1),
    Interface(0x08, 6, 80),
    Interface(0x01, 1, 0),
    Interface(0x0E),
    Interface(0xEF, 2, 1),
    Interface(0x00, 0, 0),
    Interface(0x77, 0, 0),
)
DEVICE_CLASSES = (0x00, 0xEF, 0x03, 0x08, 0x09, 0x77)


def random_pattern(random: Random) -> Pattern:
    interfaces = tuple(random.choice(SHAPES) for _ in range(random.choice((0, 0, 1, 1, 2, 3))))
    return Pattern(
        vendor=random.choice((None, *IDS)),
        product=random.choice((None, *IDS)),
        version=random.choice((None, None, *VERSIONS)),
        device_class=random.choice((None, *DEVICE_CLASSES)),
        interfaces=interfaces,
        more=random.random() < 0.5 or not interfaces,
        bare=random.random() < 0.5,
    )


def devices_of(pattern: Pattern, random: Random, number: int) -> Iterator[Device]:
    """Random devices of a pattern, and those of few further interfaces all."""
    further: list[tuple[Interface, ...]] = [()]
    if pattern.more:
        further += [(one,) for one in SHAPES] + list(product(SHAPES, repeat=2))
    for _ in range(number):
        point = random_point(random)
        interfaces = pattern.interfaces + random.choice(further)
        if interfaces or pattern.bare:
            yield Device(
                vendor=point.vendor if pattern.vendor is None else pattern.vendor,
                product=point.product if pattern.product is None else pattern.product,
                bcd_device=point.version if pattern.version is None else pattern.version,
                device_class=random.choice(DEVICE_CLASSES)
                if pattern.device_class is None
                else pattern.device_class,
                interfaces=interfaces,
                configured=bool(interfaces),
            )


def is_of(device: Device, pattern: Pattern) -> bool:
    listed = len(pattern.interfaces)
    return (
        pattern.vendor in (None, device.vendor)
        and pattern.product in (None, device.product)
        and pattern.version in (None, device.bcd_device)
        and pattern.device_class in (None, device.device_class)
        and device.interfaces[:listed] == pattern.interfaces
        and (pattern.more or len(device.interfaces) == listed)
        and (pattern.bare or bool(device.interfaces))
    )


def test_patterns_always_never_or_depends(library: RedirLibrary) -> None:
    random = Random(SEED + 2)
    seen: Counter[object] = Counter()
    for _ in range(PATTERNS):
        rules = random_rules(random)
        if random.random() < 0.3:
            rules = (*rules, Rule(allow=True))
        judge = Judge(library, rules)
        pattern = random_pattern(random)
        for strict in (False, True):
            answer = passes(rules, pattern, strict=strict)
            seen[answer.passing, strict] += 1
            for device, through in ((answer.witness_through, True), (answer.witness_kept, False)):
                if device is not None:
                    assert is_of(device, pattern)
                    assert decided(judge, device, strict) == through
            for device in devices_of(pattern, random, 40):
                if decided(judge, device, strict):
                    assert answer.passing is not Passing.NEVER, (rules, pattern, device)
                else:
                    assert answer.passing is not Passing.ALWAYS, (rules, pattern, device)
    assert all(seen[passing, mode] > 60 for passing in Passing for mode in (False, True)), seen


def decided(judge: Judge, device: Device, strict: bool) -> bool:
    """The library's decision; strict, our session asks for a configuration and an interface too."""
    if not strict:
        return judge.lets_through(device, PLAIN)
    return device.configured and bool(device.interfaces) and judge.lets_through(device, STRICT)
