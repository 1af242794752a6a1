"""The decision is usbredir's: random pairs against libusbredirparser (Debian, 0.13).

Two generators: a fast seeded one for the mass, Hypothesis for cases it shrinks when one differs.
"""

from __future__ import annotations

from collections import Counter
from itertools import product
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from random_pairs import random_device, random_rules
from redir_library import DEFAULT_ALLOW, STRICT, RedirLibrary, arguments, result_of

from seatwright.usb.device import Device, Interface
from seatwright.usb.filter import ANY, Decision, Reason, Rule, decide, decide_strict

SEEDS = (20_240_229, 20_240_230, 20_240_231, 20_240_232)  # four parts, for several cores
LISTS = 5_000
DEVICES_PER_LIST = 10
FLAGS = tuple(product((False, True), repeat=2))  # default_allow, strict

LIBRARY_REASONS = (
    Reason.ALLOWED,
    Reason.ALLOWED_BY_DEFAULT,
    Reason.NOTHING_CHECKED,
    Reason.DENIED_BY_RULE,
    Reason.NO_RULE,
)


@pytest.fixture(scope="module")
def library() -> RedirLibrary:
    return RedirLibrary()


def flags_of(default_allow: bool, strict: bool) -> int:
    return DEFAULT_ALLOW * default_allow | STRICT * strict


@pytest.mark.parametrize("seed", SEEDS)
def test_200_000_random_pairs_with_every_flag(library: RedirLibrary, seed: int) -> None:
    """50,000 pairs of a rule list and a device in each part, each pair under all four flags."""
    random = Random(seed)
    seen: Counter[Reason] = Counter()
    skipping = 0
    for _ in range(LISTS):
        rules = random_rules(random)
        c_rules = library.rules(rules)
        for _ in range(DEVICES_PER_LIST):
            device = random_device(random)
            laid_out = arguments(device)
            for default_allow, strict in FLAGS:
                ours = decide(rules, device, default_allow=default_allow, strict=strict)
                theirs = library.check_arguments(
                    c_rules, len(rules), laid_out, flags_of(default_allow, strict)
                )
                assert result_of(ours) == theirs, (rules, device, default_allow, strict)
                seen[ours.reason] += 1
                skipping += bool(ours.skipped)
    # The generator reaches every branch often, or the comparison would say little.
    assert all(seen[reason] > 1_000 for reason in LIBRARY_REASONS), seen
    assert skipping > 5_000


CODE = st.integers(0, 0xFF)
NUMBER = st.integers(0, 0xFFFF)
RULE_LISTS = st.lists(
    st.builds(
        Rule,
        st.one_of(st.just(ANY), st.sampled_from((0, 3, 8, 0xEF)), CODE),
        st.one_of(st.just(ANY), st.sampled_from((0, 1)), NUMBER),
        st.one_of(st.just(ANY), st.sampled_from((0, 1)), NUMBER),
        st.one_of(st.just(ANY), st.sampled_from((0, 1)), NUMBER),
        st.booleans(),
    ),
    max_size=8,
)
INTERFACES = st.lists(
    st.one_of(
        st.just(Interface(3, 0, 0)),
        st.builds(Interface, st.sampled_from((0, 3, 8, 0xEF)), st.integers(0, 1), CODE),
        st.builds(Interface, CODE, CODE, CODE),
    ),
    max_size=5,
)
DEVICES = st.builds(
    Device,
    st.one_of(st.sampled_from((0, 1)), NUMBER),
    st.one_of(st.sampled_from((0, 1)), NUMBER),
    st.one_of(st.sampled_from((0, 1)), NUMBER),
    st.one_of(st.sampled_from((0, 3, 8, 0xEF)), CODE),
    CODE,
    CODE,
    INTERFACES.map(tuple),
)


@settings(max_examples=600, deadline=None)
@given(RULE_LISTS, DEVICES, st.booleans(), st.booleans())
def test_hypothesis_finds_no_difference(
    library: RedirLibrary, rules: list[Rule], device: Device, default_allow: bool, strict: bool
) -> None:
    ours = decide(rules, device, default_allow=default_allow, strict=strict)
    theirs = library.check(library.rules(rules), device, flags_of(default_allow, strict))
    assert result_of(ours) == theirs


@settings(max_examples=200, deadline=None)
@given(RULE_LISTS, DEVICES, st.booleans())
def test_a_decision_accounts_for_itself(
    rules: list[Rule], device: Device, default_allow: bool
) -> None:
    """The checks alone lead to the answer, and each names the first rule that matches."""
    ours = decide(rules, device, default_allow=default_allow)
    assert ours.allowed == all(check.allowed for check in ours.checks)
    for check in ours.checks:
        matching = [
            index for index, rule in enumerate(rules) if _matches(rule, device, check.usb_class)
        ]
        assert check.rule == (matching[0] if matching else None)
    _each_interface_is_accounted_for(ours, device)


def _matches(rule: Rule, device: Device, usb_class: int) -> bool:
    pattern = (rule.usb_class, rule.vendor, rule.product, rule.version)
    values = (usb_class, device.vendor, device.product, device.bcd_device)
    return all(want in (ANY, have) for want, have in zip(pattern, values, strict=True))


def _each_interface_is_accounted_for(decision: Decision, device: Device) -> None:
    if decision.allowed:
        checked = {check.interface for check in decision.checks if check.interface is not None}
        assert checked | set(decision.skipped) == set(range(len(device.interfaces)))
        assert not checked & set(decision.skipped)


@settings(max_examples=200, deadline=None)
@given(RULE_LISTS, DEVICES)
def test_our_session_never_allows_what_the_library_refuses(
    library: RedirLibrary, rules: list[Rule], device: Device
) -> None:
    if decide_strict(rules, device).allowed:
        c_rules = library.rules(rules)
        assert library.check(c_rules, device, STRICT) == 0
        assert library.check(c_rules, device, 0) == 0
