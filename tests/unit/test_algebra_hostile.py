"""Lists of hostile size and shape: answered in time, or refused in words."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

import pytest

from rule_lists import changed, every_class_then_vendors, every_vendor, grown, idle, staircase
from seatwright.policy.algebra import (
    Forest,
    Passing,
    Pattern,
    Reach,
    Relation,
    TooLarge,
    analyse,
    any_shape,
    can_be_left_out,
    compare,
    index,
    minimise,
    outcome,
    passes,
    reach,
    redundant,
)
from seatwright.usb.filter import ANY, Rule

LONG = 100_000


@contextmanager
def little_stack() -> Iterator[None]:
    """Room for a few dozen calls more than there are now."""
    before = sys.getrecursionlimit()
    depth = 0
    frame = sys._getframe()
    while frame.f_back is not None:
        frame, depth = frame.f_back, depth + 1
    sys.setrecursionlimit(depth + 60)
    try:
        yield
    finally:
        sys.setrecursionlimit(before)


def test_100_000_rules_without_deep_recursion() -> None:
    old = grown(LONG, 1)
    new = changed(old, 2, 8)
    with little_stack():
        analysis = analyse(old)
        comparison = compare(old, new)
    assert len(analysis.fates) == LONG
    assert comparison.relation is not Relation.EQUAL


def test_a_long_list_made_shorter() -> None:
    rules = grown(LONG // 10, 3)
    with little_stack():
        kept = [rules[rule] for rule in minimise(rules).kept]
    assert len(kept) < len(rules)
    assert compare(rules, kept).relation is Relation.EQUAL


def test_every_class_together() -> None:
    rules = every_class_then_vendors(1_000)
    for fate in analyse(rules).fates[-372:]:
        assert fate.reach is Reach.COVERED_TOGETHER and fate.error
        assert len(fate.cover) == 256


def test_every_vendor_together() -> None:
    rules = every_vendor(0x10000 + 500)
    for fate in analyse(rules).fates[0x10000:]:
        assert fate.reach is Reach.COVERED_TOGETHER and fate.error
        assert fate.cover == tuple(range(0x10000))
    short_of_one = analyse(rules[1:]).fates[0xFFFF:]
    assert {fate.reach for fate in short_of_one} == {Reach.REACHED}
    assert {fate.witness.vendor for fate in short_of_one if fate.witness} == {0}
    assert compare(rules, ()).relation is Relation.EQUAL


def test_what_is_too_large_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(TooLarge, match="more than 1,000 different parts") as caught:
        compare(staircase(200), (), Forest(most_cases=1_000))
    assert "sort them by kind" in caught.value.hint
    monkeypatch.setattr(redundant, "MOST_PAIRS", 1_000)
    with pytest.raises(TooLarge, match="more than 1,000 pairs"):
        minimise(idle(300))
    monkeypatch.setattr(reach, "MOST_COVERING", 1_000)
    with pytest.raises(TooLarge, match="more than 1,000 covering rules"):
        analyse(every_class_then_vendors(300))
    monkeypatch.setattr(index, "MOST_LOOKS", 1_000)
    with pytest.raises(TooLarge, match="more than 1,000 combinations"):
        analyse(every_class_then_vendors(300))


def test_an_empty_list_keeps_everything() -> None:
    assert analyse(()).fates == ()
    assert compare((), ()).relation is Relation.EQUAL
    assert minimise(()).kept == ()
    assert passes((), any_shape(0x1209, 2), strict=True).passing is Passing.NEVER
    # The plain decision does not look at a device without interfaces.
    assert passes((), any_shape(0x1209, 2), strict=False).passing is Passing.DEPENDS
    assert passes((), any_shape(0x1209, 2, bare=False), strict=False).passing is Passing.NEVER


@dataclass(frozen=True)
class LooseRule:
    """A rule that checks nothing, as somebody might hand in."""

    usb_class: int = ANY
    vendor: int = ANY
    product: int = ANY
    version: int = ANY
    allow: bool = True


def test_fields_out_of_range() -> None:
    rules = [Rule(0x08), LooseRule(usb_class=0x100), LooseRule(vendor=0x10000), Rule(allow=True)]
    reaches = [fate.reach for fate in analyse(rules).fates]
    assert reaches == [Reach.REACHED, Reach.EMPTY, Reach.EMPTY, Reach.REACHED]
    assert can_be_left_out(rules) == (1, 2)
    assert minimise(rules).kept == (0, 3)
    assert compare(rules, [rules[0], rules[3]]).relation is Relation.EQUAL
    for ask in (analyse, outcome, minimise):
        with pytest.raises(ValueError, match="rule 2: product is -2, below -1"):
            ask([Rule(), LooseRule(product=-2)])


def test_a_pattern_without_devices() -> None:
    with pytest.raises(ValueError, match="without interfaces"):
        Pattern(bare=False)
