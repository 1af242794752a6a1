"""The rule algebra's figures, side by side in one run:

    pytest -s tests/bench/bench_algebra.py

* full analysis of 1,000 rules (reached with witness, cover, decided otherwise) against the same
  question put to the decision diagrams of ``dd`` (PyPI, ``dd.autoref``, pure Python as we are);
* analysis of up to 100,000 rules of a list as people grow them, and of the worst we can construct;
* comparison with all regions and witnesses.

Times are CPU seconds of this process, the best of a few runs, since other work on the machine is
none of the algebra's.  Ratios and growth are asserted; absolute times are printed only.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeVar

import pytest
from dd.autoref import BDD, Function

from rule_lists import changed, every_class_then_vendors, every_vendor, grown, idle, staircase
from seatwright.policy.algebra import (
    Comparison,
    Point,
    TooLarge,
    analyse,
    any_shape,
    compare,
    minimise,
    outcome,
    passes,
)
from seatwright.usb.filter import ANY, Rule

BITS = {"vendor": 16, "product": 16, "version": 16, "usb_class": 8}
SEED = 11

Result = TypeVar("Result")


def timed(work: Callable[[], Result], runs: int = 3) -> tuple[float, Result]:
    """CPU seconds of the best run, and what came out."""
    best = float("inf")
    for _ in range(runs):
        start = time.process_time()
        result = work()
        best = min(best, time.process_time() - start)
    return best, result


def show(what: str, seconds: float, note: str = "") -> None:
    print(f"  {what:<62} {seconds * 1000:10.1f} ms  {note}")


@dataclass
class Diagrams:
    """First match by decision diagrams: what each rule takes of the points that are left."""

    bdd: BDD
    boxes: list[Function]
    taken: list[Function]


def draw(rules: Sequence[Rule]) -> Diagrams:
    """In the quickest way found: boxes from the last bit up, in the best order of fields."""
    bdd = BDD()
    bits = [(field, bit) for field, width in BITS.items() for bit in reversed(range(width))]
    bdd.declare(*(f"{field}{bit}" for field, bit in bits))
    boxes, taken = [], []
    left = bdd.true
    for rule in rules:
        box = bdd.true
        for field, bit in reversed(bits):
            value = getattr(rule, field)
            if value != ANY:
                children = (bdd.false, box) if value >> bit & 1 else (box, bdd.false)
                box = bdd.find_or_add(f"{field}{bit}", *children)
        boxes.append(box)
        taken.append(box & left)
        left &= ~box
    return Diagrams(bdd, boxes, taken)


def reached_by_diagrams(rules: Sequence[Rule]) -> list[bool]:
    """The least of the question: which rules are reached."""
    diagrams = draw(rules)
    return [taken != diagrams.bdd.false for taken in diagrams.taken]


def analysis_by_diagrams(rules: Sequence[Rule]) -> list[tuple[bool, tuple[int, ...], bool]]:
    """For each rule: reached (with a witness), else its cover, and whether that contradicts it."""
    diagrams = draw(rules)
    return [fate_by_diagrams(rules, index, diagrams) for index in range(len(rules))]


def fate_by_diagrams(
    rules: Sequence[Rule], index: int, diagrams: Diagrams
) -> tuple[bool, tuple[int, ...], bool]:
    nothing = diagrams.bdd.false
    if diagrams.taken[index] != nothing:
        assert diagrams.bdd.pick(diagrams.taken[index]) is not None
        return True, (), False
    cover = cover_by_diagrams(index, diagrams)
    otherwise = any(
        rules[other].allow != rules[index].allow
        and diagrams.boxes[index] & diagrams.taken[other] != nothing
        for other in cover
    )
    return False, cover, otherwise


def cover_by_diagrams(index: int, diagrams: Diagrams) -> tuple[int, ...]:
    nothing = diagrams.bdd.false
    box = diagrams.boxes[index]
    live = [other for other in range(index) if diagrams.taken[other] != nothing]
    for other in live:
        if box & ~diagrams.boxes[other] == nothing:
            return (other,)
    cover = []
    for other in live:
        if box & diagrams.boxes[other] != nothing:
            cover.append(other)
            box &= ~diagrams.boxes[other]
    return tuple(cover)


def test_analysis_of_1_000_rules_against_decision_diagrams() -> None:
    rules = grown(1_000, SEED)
    reached, their_reached = timed(lambda: reached_by_diagrams(rules))
    theirs, their_fates = timed(lambda: analysis_by_diagrams(rules), runs=2)
    ours, analysis = timed(lambda: analyse(rules))
    print("\nfull analysis of 1,000 rules")
    show("dd.autoref, only which rules are reached", reached, f"{reached / ours:.0f} times ours")
    show("dd.autoref, with witnesses, covers, contradictions", theirs, f"{theirs / ours:.0f} times")
    show("ours, with witnesses, covers, contradictions", ours)
    assert their_reached == [not fate.dead for fate in analysis.fates]
    assert their_fates == [(not f.dead, f.cover, f.error) for f in analysis.fates]
    assert reached >= 5 * ours


def test_analysis_grows_with_the_list() -> None:
    print("\nfull analysis of lists as people grow them")
    each = {}
    for length in (1_000, 3_000, 10_000, 30_000, 100_000):
        rules = grown(length, SEED)
        seconds, analysis = timed(lambda rules=rules: analyse(rules))  # type: ignore[misc]
        each[length] = seconds / length
        dead = f"{len(analysis.dead):,} dead, {len(analysis.errors):,} of them errors"
        show(f"{length:,} rules", seconds, f"{each[length] * 1e6:.1f} µs a rule, {dead}")
    print("leaving out what changes nothing")
    for length in (1_000, 10_000, 100_000):
        rules = grown(length, SEED)
        seconds, minimal = timed(lambda rules=rules: minimise(rules), runs=1)  # type: ignore[misc]
        show(f"{length:,} rules", seconds, f"{len(minimal.kept):,} kept")
    # Close to linear: a rule costs about the same in a list a hundred times as long (caches aside).
    assert each[100_000] < 4 * each[1_000]


def test_comparison_with_all_witnesses() -> None:
    print("\ncomparison with all regions and witnesses")
    for length in (1_000, 10_000, 100_000):
        old = grown(length, SEED)
        pairs = {"a few changes": changed(old, 2, 20), "another list": grown(length, SEED + 1)}
        for kind, new in pairs.items():
            seconds, (comparison, points) = timed(
                lambda old=old, new=new: compared(old, new),  # type: ignore[misc]
                runs=3 if length < 100_000 else 1,
            )
            regions = len(comparison.gained) + len(comparison.lost)
            note = f"{comparison.relation}, {regions} regions, {len(points):,} witnesses"
            show(f"{length:,} rules, {kind}", seconds, note)


def compared(old: Sequence[Rule], new: Sequence[Rule]) -> tuple[Comparison, list[Point]]:
    comparison = compare(old, new)
    regions = comparison.gained + comparison.lost
    return comparison, [point for region in regions for point in region.witnesses()]


def test_a_pattern_in_a_long_list() -> None:
    print("\nan onboard id at any bcdDevice, in any shape, strict and plain")
    for length in (1_000, 100_000):
        tree = outcome(grown(length, SEED))
        pattern = any_shape(0x1209, 0x0002)
        seconds, _ = timed(lambda: [passes(tree, pattern, strict=one) for one in (True, False)])  # noqa: B023
        show(f"{length:,} rules (tree made before)", seconds)


WORST: tuple[tuple[str, Callable[[Sequence[Rule]], object], Callable[[int], list[Rule]], int], ...]
WORST = (
    ("analyse, dead through 256 classes each time", analyse, every_class_then_vendors, 1_000),
    ("analyse, dead through 256 classes each time", analyse, every_class_then_vendors, 10_000),
    ("analyse, dead through 65,536 vendors", analyse, every_vendor, 100_000),
    ("compare, vendors alternating with products", outcome, staircase, 1_000),
    ("compare, vendors alternating with products", outcome, staircase, 2_000),
    ("compare, vendors alternating with products", outcome, staircase, 100_000),
    ("minimise, every pair contradicting", minimise, idle, 1_000),
    ("minimise, every pair contradicting", minimise, idle, 3_000),
)


@pytest.mark.parametrize(("what", "work", "make", "length"), WORST)
def test_the_worst_we_can_construct(
    what: str,
    work: Callable[[Sequence[Rule]], object],
    make: Callable[[int], list[Rule]],
    length: int,
) -> None:
    rules = make(length)
    note = ""
    start = time.process_time()
    try:
        work(rules)
    except TooLarge as error:
        note = f"refused: {error}"
    print()
    show(f"{what}, {length:,} rules", time.process_time() - start, note)
