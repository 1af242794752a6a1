"""policy/compile.py: the rule lists say what the table says, protect, and hold nothing idle."""

from __future__ import annotations

import random
from collections.abc import Sequence

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from policies import (
    ADAPTER,
    MAY_PASS,
    OTHER,
    SHELF,
    all_points,
    allows,
    brief,
    devices,
    line,
    lists_of,
    model,
    models,
    plain,
    policies,
    policy,
)
from seatwright.plan import NodeKey, PlannedLine, PlannedModel, PlannedPolicy, PlannedRule, RuleSet
from seatwright.policy.compile import compile_rules
from seatwright.policy.table import Table, make_tables, points
from seatwright.site.types import Verdict
from seatwright.usb.device import Device, Interface
from seatwright.usb.filter import ANY, Rule, decide, decide_strict

NOBODY = frozenset[str]()
HUBS_STAY = (0x09, ANY, ANY, ANY, False)
ADAPTER_STAYS = (ANY, *ADAPTER, ANY, False)


def compiled(*lines: PlannedLine, on: PlannedModel | None = None) -> RuleSet:
    return compile_rules(policy(*lines), on or model(ADAPTER), NOBODY)


def redirect(*lines: PlannedLine) -> list[tuple[int, int, int, int, bool]]:
    """The redirect rules below the protective ones."""
    rules = brief(compiled(*lines).redirect)
    assert rules[:2] == [HUBS_STAY, ADAPTER_STAYS]
    return rules[2:]


@settings(max_examples=40)
@given(policies(), models(), MAY_PASS)
def test_every_list_says_what_the_table_says(
    policy: PlannedPolicy, model: PlannedModel, may_pass: frozenset[str]
) -> None:
    tables = make_tables(policy, model, may_pass)
    rules = compile_rules(policy, model, may_pass)
    places: list[tuple[Table, Sequence[PlannedRule], Sequence[PlannedRule]]]
    places = [(tables.room, rules.redirect, rules.permitted)]
    for (socket, table), lists in zip(tables.sockets, rules.sockets, strict=True):
        assert (lists.label, lists.ports) == (socket.label, socket.ports)
        places.append((table, lists.redirect, lists.permitted))
    for point in all_points():
        for table, redirected, permitted in places:
            verdict = table.at(*point).verdict
            assert allows(redirected, point) == (verdict == Verdict.REDIRECT)
            assert allows(permitted, point) == (verdict != Verdict.KEEP)
        anywhere = any(table.at(*point).verdict != Verdict.KEEP for table, _, _ in places)
        assert allows(rules.host, point) == anywhere


@settings(max_examples=40)
@given(policies(), models(), MAY_PASS)
def test_no_rule_but_the_protective_can_be_left_out(
    policy: PlannedPolicy, model: PlannedModel, may_pass: frozenset[str]
) -> None:
    for rules in lists_of(compile_rules(policy, model, may_pass)):
        everywhere = [allows(rules, point) for point in all_points()]
        for position, rule in enumerate(rules):
            if not rule.protects:
                without = rules[:position] + rules[position + 1 :]
                assert [allows(without, point) for point in all_points()] != everywhere, rule


@given(policies(), models())
def test_onboard_devices_and_hubs_never_pass(policy: PlannedPolicy, model: PlannedModel) -> None:
    ids = {(device.vendor, device.product) for device in model.onboard}
    for rules in lists_of(compile_rules(policy, model, NOBODY)):
        protective = [HUBS_STAY, *((ANY, *one, ANY, False) for one in sorted(ids))]
        assert brief(rules)[: len(protective)] == protective
        assert [rule.protects for rule in rules] == [
            position < len(protective) for position in range(len(rules))
        ]


@settings(max_examples=40)
@given(policies(), models(), st.randoms(use_true_random=False))
def test_the_order_of_lines_does_not_matter(
    some: PlannedPolicy, model: PlannedModel, shuffle: random.Random
) -> None:
    lines = list(some.lines)
    shuffle.shuffle(lines)
    one, other = (compile_rules(policy(*order), model, NOBODY) for order in (some.lines, lines))
    assert [brief(rules) for rules in lists_of(one)] == [brief(rules) for rules in lists_of(other)]
    assert one.nodes == other.nodes


@given(policies(), models(), MAY_PASS, devices())
def test_the_sessions_decision_is_the_tables_verdict(
    policy: PlannedPolicy, model: PlannedModel, may_pass: frozenset[str], device: Device
) -> None:
    verdict = make_tables(policy, model, may_pass).room.verdict(device)
    rules = compile_rules(policy, model, may_pass)
    assert decide_strict(plain(rules.redirect), device).allowed == (verdict == Verdict.REDIRECT)
    assert decide_strict(plain(rules.permitted), device).allowed == (verdict != Verdict.KEEP)


@given(policies(), models(), devices())
def test_an_outer_layer_lets_through_what_an_inner_one_does(
    policy: PlannedPolicy, model: PlannedModel, device: Device
) -> None:
    rules = compile_rules(policy, model, NOBODY)
    inner = [(rules.redirect, rules.permitted)]
    inner += [(lists.redirect, lists.permitted) for lists in rules.sockets]
    for redirected, permitted in inner:
        if decide_strict(plain(redirected), device).allowed:
            assert decide_strict(plain(permitted), device).allowed
        if decide_strict(plain(permitted), device).allowed:
            assert decide(plain(rules.host), device).allowed


def opens(keys: Sequence[NodeKey], device: Device) -> bool:
    """Whether the device node may be opened: the first key for the id decides."""
    ids = (device.vendor, device.product, device.bcd_device)
    for key in keys:
        wanted = (key.vendor, key.product, key.bcd_device)
        if all(want in (None, value) for want, value in zip(wanted, ids, strict=True)):
            return all((code in key.classes) != key.inverted for code in points(device))
    return False


@given(policies(), models(), MAY_PASS, devices().filter(lambda device: device.interfaces))
def test_node_permissions_are_what_is_permitted(
    policy: PlannedPolicy, model: PlannedModel, may_pass: frozenset[str], device: Device
) -> None:
    tables = make_tables(policy, model, may_pass)
    rules = compile_rules(policy, model, may_pass)
    assert opens(rules.nodes, device) == (tables.room.verdict(device) != Verdict.KEEP)
    for (_, table), lists in zip(tables.sockets, rules.sockets, strict=True):
        assert opens(lists.nodes, device) == (table.verdict(device) != Verdict.KEEP)


def test_a_class_and_a_named_id() -> None:
    assert redirect(line("redirect", None, None, None, 0x08), line("redirect", 0x1209, 3)) == [
        (ANY, 0x1209, 3, ANY, True),
        (0x08, ANY, ANY, ANY, True),
    ]


def test_what_the_default_does_needs_no_rule() -> None:
    assert redirect(line("keep"), line("keep", 0x1209), line("offer", 0x1209, 3)) == []


def test_a_line_that_a_wider_one_makes_needless_leaves_no_rule() -> None:
    storage = line("redirect", None, None, None, 0x08)
    assert redirect(storage, line("redirect", 0x1209, 3, None, 0x08)) == [
        (0x08, ANY, ANY, ANY, True)
    ]


def test_exceptions_alone_where_they_are_fewer() -> None:
    kept = line("keep", 0x1209, 3, None, 0x03)
    assert redirect(line("redirect"), kept) == [
        (0x03, 0x1209, 3, ANY, False),
        (ANY, ANY, ANY, ANY, True),
    ]


def test_one_rule_for_the_rest_where_exceptions_are_many() -> None:
    classes = [line("redirect", None, None, None, code) for code in (1, 2, 3, 6, 8)]
    kept = line("keep", 0x1209, 3)
    assert redirect(*classes, kept)[:1] == [(ANY, 0x1209, 3, ANY, False)]
    most = line("keep", 0x1209, 3, None, 1, 2, 3, 6)
    assert redirect(*classes, most)[:2] == [
        (0x08, 0x1209, 3, ANY, True),
        (ANY, 0x1209, 3, ANY, False),
    ]
    one = line("keep", 0x1209, 3, None, 1)
    assert redirect(*classes, one)[:1] == [(0x01, 0x1209, 3, ANY, False)]


def test_the_order_is_canonical() -> None:
    lines = (
        line("redirect", None, None, None, 0x08),
        line("redirect", 0x0001),
        line("keep", 0x0001, 3),
        line("redirect", 0x1209, 4),
        line("redirect", 0x0001, 3, 0x0110),
    )
    assert redirect(*lines) == [
        (ANY, 0x0001, 3, 0x0110, True),
        (ANY, 0x0001, 3, ANY, False),
        (ANY, 0x1209, 4, ANY, True),
        (ANY, 0x0001, ANY, ANY, True),
        (0x08, ANY, ANY, ANY, True),
    ]


def test_every_class_named_leaves_no_rest() -> None:
    others = [code for code in range(256) if code != 0x08]
    assert redirect(line("redirect", 0x1209, 3, None, *others)) == [
        (0x08, 0x1209, 3, ANY, False),
        (ANY, 0x1209, 3, ANY, True),
    ]
    assert redirect(line("redirect", 0x1209, 3, None, *range(256))) == [(ANY, 0x1209, 3, ANY, True)]


def test_offered_is_permitted_and_not_redirected() -> None:
    rules = compiled(line("redirect", None, None, None, 0x08), line("offer", 0x1209, 3, None, 8))
    assert brief(rules.redirect)[2:] == [
        (0x08, 0x1209, 3, ANY, False),
        (0x08, ANY, ANY, ANY, True),
    ]
    assert brief(rules.permitted)[2:] == [(0x08, ANY, ANY, ANY, True)]


def test_each_rule_names_the_line_that_caused_it() -> None:
    storage = line("redirect", None, None, None, 0x08)
    kept = line("keep", 0x1209, 3)
    assert [rule.origin for rule in compiled(storage, kept).redirect] == [
        "models/ridge",
        "models/ridge/onboard/0",
        kept.origin,
        storage.origin,
    ]


def test_a_socket_has_lists_of_its_own_and_the_host_takes_all() -> None:
    at_the_shelf = line("redirect", None, None, None, 0x08, socket=SHELF)
    rules = compiled(line("offer", None, None, None, 0x06), at_the_shelf, on=model(labels=[SHELF]))
    (shelf,) = rules.sockets
    assert brief(rules.permitted) == [HUBS_STAY, (0x06, ANY, ANY, ANY, True)]
    assert brief(shelf.redirect) == [HUBS_STAY, (0x08, ANY, ANY, ANY, True)]
    both = [(0x06, ANY, ANY, ANY, True), (0x08, ANY, ANY, ANY, True)]
    assert brief(shelf.permitted) == brief(rules.host) == [HUBS_STAY, *both]
    assert rules.host[-1].origin == at_the_shelf.origin


def test_lines_of_a_label_the_model_lacks_are_not_heard() -> None:
    rules = compiled(line("redirect", socket="elsewhere"), on=model(labels=[SHELF]))
    assert (brief(rules.host), rules.sockets) == ([HUBS_STAY], ())


@pytest.mark.parametrize(
    ("adapter", "expected"),
    [
        (
            line("redirect", *ADAPTER, None, 0x02, 0x0A, peripheral="adapter"),
            [(0x02, *ADAPTER, ANY, True), (0x0A, *ADAPTER, ANY, True), ADAPTER_STAYS],
        ),
        (
            line("redirect", *ADAPTER, 0x0110, 0x02, peripheral="adapter"),
            [(0x02, *ADAPTER, 0x0110, True), ADAPTER_STAYS],
        ),
        (line("redirect", *ADAPTER, peripheral="adapter"), [(ANY, *ADAPTER, ANY, True)]),
        (line("offer", *ADAPTER, peripheral="adapter"), [ADAPTER_STAYS]),
        (line("redirect", *ADAPTER), [ADAPTER_STAYS]),
    ],
)
def test_where_port_paths_decide_the_rest_of_the_id_still_stays(
    adapter: PlannedLine, expected: list[tuple[int, ...]]
) -> None:
    storage = line("redirect", None, None, None, 0x08)
    rules = compile_rules(policy(adapter, storage), model(ADAPTER), frozenset({"adapter"}))
    assert brief(rules.redirect) == [HUBS_STAY, *expected, (0x08, ANY, ANY, ANY, True)]


def test_node_permissions_close_onboard_ids_first() -> None:
    lines = (line("redirect"), line("keep", None, None, None, 0x03), line("keep", 0x1209, 3))
    assert [
        (key.vendor, key.product, key.bcd_device, key.classes, key.inverted)
        for key in compiled(*lines).nodes
    ] == [
        (*ADAPTER, None, (), False),
        (0x1209, 3, None, (), False),
        (None, None, None, (0x03, 0x09), True),
    ]


def test_a_plain_host_filter_sees_less_than_the_session() -> None:
    """The loophole of a decision without the strict flag, pinned: it is listed, not hidden."""
    rules = compiled(line("redirect", None, None, None, 0x08))
    stick = Device(0x1209, OTHER, interfaces=(Interface(8, 6, 0x50), Interface(3, 0, 0)))
    assert decide(plain(rules.host), stick).allowed
    assert not decide_strict(plain(rules.permitted), stick).allowed
    assert Rule(0x08, allow=True) in plain(rules.host)
