"""The algebra against brute force: every list up to a length in tiny spaces, many in small ones."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from random import Random

import pytest

from algebra_truth import all_lists, allows, first_match, function, matches, points, random_lists
from algebra_truth import without as list_without
from seatwright.policy.algebra import (
    Fate,
    Forest,
    Point,
    Reach,
    Region,
    Relation,
    Space,
    analyse,
    can_be_left_out,
    changes_nothing,
    minimise,
    outcome,
)
from seatwright.policy.algebra.compare import compare
from seatwright.usb.filter import Rule

SEED = 20_240_412
LINE = Space(3, 1, 1, 1)
PLANE = Space(2, 2, 1, 1)
CUBE = Space(2, 1, 2, 2)
SMALL = (
    Space(2, 2, 2, 2),
    Space(3, 2, 2, 1),
    Space(4, 3, 1, 2),
    Space(1, 1, 1, 1),
    Space(2, 3, 3, 3),
)


Lists = Callable[[], Iterable[tuple[Space, Sequence[Rule]]]]


def every_list() -> Iterable[tuple[Space, Sequence[Rule]]]:
    for space, longest in ((LINE, 4), (PLANE, 3), (CUBE, 2)):
        for rules in all_lists(space, longest):
            yield space, rules


def many_lists() -> Iterable[tuple[Space, Sequence[Rule]]]:
    random = Random(SEED)
    for space in SMALL:
        for rules in random_lists(random, space, 9, 400):
            yield space, rules


BOTH = pytest.mark.parametrize("lists", [every_list, many_lists])


@BOTH
def test_the_fate_of_every_rule(lists: Lists) -> None:
    seen: Counter[object] = Counter()
    for space, rules in lists():
        everywhere = points(space)
        for fate in analyse(rules, space).fates:
            check_fate(fate, rules, everywhere)
            seen[fate.reach, fate.error] += 1
    # Every kind of answer was met often; EMPTY cannot be here, since Rule refuses such fields.
    for reach in (Reach.COVERED_BY_ONE, Reach.COVERED_TOGETHER):
        assert seen[reach, False] > 30 and seen[reach, True] > 30, seen
    assert seen[Reach.REACHED, False] > 1000, seen


def check_fate(fate: Fate, rules: Sequence[Rule], everywhere: Sequence[Point]) -> None:
    own = [point for point in everywhere if matches(rules[fate.rule], point)]
    reached = [point for point in own if first_match(rules, point) == fate.rule]
    assert fate.dead == (not reached)
    if reached:
        assert fate.witness in reached and not fate.cover
        return
    check_cover(fate, rules, own)
    deciding = {other: point for point in own if (other := first_match(rules, point)) in fate.cover}
    otherwise = [other for other in deciding if rules[other].allow != rules[fate.rule].allow]
    assert fate.error == bool(otherwise) and fate.noise != fate.error
    if fate.error:
        assert fate.witness in own and fate.contradicted_by in otherwise
        assert first_match(rules, fate.witness) == fate.contradicted_by


def check_cover(fate: Fate, rules: Sequence[Rule], own: Sequence[Point]) -> None:
    """Earlier, live, together enough, none of them spare; one alone if one alone is enough."""

    def enough(cover: Iterable[int]) -> bool:
        return all(any(matches(rules[other], point) for other in cover) for point in own)

    assert all(other < fate.rule for other in fate.cover)
    assert list(fate.cover) == sorted(set(fate.cover))
    assert enough(fate.cover)
    assert not any(enough(set(fate.cover) - {other}) for other in fate.cover)
    live = [
        other
        for other in range(fate.rule)
        if any(first_match(rules, point) == other for point in own)
    ]
    alone = [other for other in range(fate.rule) if enough([other])]
    if fate.reach is Reach.COVERED_BY_ONE:
        assert len(fate.cover) == 1 and fate.cover[0] in alone
    elif alone:
        # The only rules that cover it alone are dead themselves, so they are not named.
        assert not set(alone) & set(live)
    else:
        assert len(fate.cover) > 1


@BOTH
def test_rules_that_can_be_left_out(lists: Lists) -> None:
    seen: Counter[str] = Counter()
    random = Random(SEED)
    for space, rules in lists():
        everywhere = points(space)
        whole = function(rules, everywhere)
        idle = can_be_left_out(rules, space)
        for index in range(len(rules)):
            same = function(list_without(rules, index), everywhere) == whole
            assert same == (index in idle)
        exempt = {index for index in range(len(rules)) if random.random() < 0.2}
        minimal = minimise(rules, exempt, space)
        kept = [rules[index] for index in minimal.kept]
        assert sorted(minimal.kept + minimal.left_out) == list(range(len(rules)))
        assert not exempt & set(minimal.left_out)
        assert function(kept, everywhere) == whole
        for place, index in enumerate(minimal.kept):
            if index not in exempt:
                assert not changes_nothing(kept, place, space)
        seen["left out"] += len(minimal.left_out)
        seen["kept"] += len(minimal.kept)
    assert min(seen.values()) > 1000, seen


@BOTH
def test_the_outcome_at_every_point(lists: Lists) -> None:
    for space, rules in lists():
        tree = outcome(rules, Forest(space))
        for point in points(space):
            classes = tree.classes(point.vendor, point.product, point.version)
            assert bool(classes >> point.usb_class & 1) == allows(rules, point)
        check_places(rules, space)


def check_places(rules: Sequence[Rule], space: Space) -> None:
    """The places of a tree show every set of classes that passes anywhere, where it does."""
    tree = outcome(rules, Forest(space))
    places = list(tree.places(None, None, None))
    for place in places:
        assert tree.classes(place.vendor, place.product, place.version) == place.classes
    everywhere = {tree.classes(p.vendor, p.product, p.version) for p in points(space)}
    assert {place.classes for place in places} == everywhere


def test_comparisons_of_small_lists() -> None:
    random = Random(SEED)
    seen: Counter[Relation] = Counter()
    for space in SMALL:
        everywhere = points(space)
        lists = list(random_lists(random, space, 7, 1600))
        for old, new in zip(lists[::2], lists[1::2], strict=True):
            if random.random() < 0.5:
                new = varied(random, old, new)
            seen[check_comparison(old, new, space, everywhere)] += 1
    assert all(seen[relation] > 200 for relation in Relation), seen


def test_comparisons_of_every_short_pair() -> None:
    lists = list(all_lists(Space(2, 2, 1, 1), 1))
    lists += list(all_lists(Space(2, 1, 1, 1), 2))
    space = Space(2, 2, 1, 1)
    everywhere = points(space)
    for old in lists:
        for new in lists:
            check_comparison(old, new, space, everywhere)


def varied(random: Random, old: list[Rule], more: list[Rule]) -> list[Rule]:
    """A list near another: rules swapped, or one put in."""
    new = list(old)
    if len(new) > 1 and random.random() < 0.5:
        one, two = random.sample(range(len(new)), 2)
        new[one], new[two] = new[two], new[one]
    elif more:
        new.insert(random.randrange(len(new) + 1), more[0])
    return new


def check_comparison(
    old: Sequence[Rule], new: Sequence[Rule], space: Space, everywhere: Sequence[Point]
) -> Relation:
    comparison = compare(old, new, Forest(space))
    gained = {point for point in everywhere if allows(new, point) and not allows(old, point)}
    lost = {point for point in everywhere if allows(old, point) and not allows(new, point)}
    for regions, truth in ((comparison.gained, gained), (comparison.lost, lost)):
        check_regions(regions, truth, everywhere)
    expected = {
        (False, False): Relation.EQUAL,
        (True, False): Relation.MORE,
        (False, True): Relation.LESS,
        (True, True): Relation.NEITHER,
    }[bool(gained), bool(lost)]
    assert comparison.relation is expected
    return expected


def check_regions(
    regions: Sequence[Region], truth: set[Point], everywhere: Sequence[Point]
) -> None:
    """Together exactly the truth, without overlap, each with its witnesses."""
    for point in everywhere:
        assert sum(point in region for region in regions) == (point in truth)
    for region in regions:
        assert region.witness in truth and region.witness in region
        assert all(witness in region for witness in region.witnesses())
