"""policy/table.py: the most specific line decides, and each verdict remembers its line."""

from __future__ import annotations

import pytest
from hypothesis import given, settings

from policies import (
    ADAPTER,
    MAY_PASS,
    OTHER,
    SHELF,
    all_points,
    devices,
    line,
    model,
    models,
    policies,
    policy,
)
from seatwright.plan import PlannedLine, PlannedModel, PlannedPolicy
from seatwright.policy.lines import contradictions, idle_lines
from seatwright.policy.table import make_tables, points
from seatwright.site.types import Verdict
from seatwright.usb.device import Device, Interface

NOBODY = frozenset[str]()
LEAST_FIRST = ("keep", "offer", "redirect")


def expected(
    policy: PlannedPolicy,
    model: PlannedModel,
    may_pass: frozenset[str],
    socket: str | None,
    point: tuple[int, int, int, int],
) -> str:
    """The verdict at a point, by asking every line in turn (the design's words, literally)."""
    usb_class, *ids = point

    def speaks(line: PlannedLine) -> bool:
        wanted = (line.vendor, line.product, line.bcd_device)
        whole = line.verdict == "keep" and line.peripheral
        return (
            line.socket in (None, socket)
            and all(want in (None, value) for want, value in zip(wanted, ids, strict=True))
            and (whole or not line.usb_classes or usb_class in line.usb_classes)
        )

    def how_general(line: PlannedLine) -> tuple[bool, int, bool]:
        unsaid = (line.vendor, line.product, line.bcd_device).count(None)
        return line.socket is None, unsaid, unsaid == 3 and not line.usb_classes

    speaking = sorted(
        filter(speaks, policy.lines),
        key=lambda line: (how_general(line), LEAST_FIRST.index(line.verdict)),
    )
    first = speaking[0] if speaking else None
    if first is None or usb_class == 0x09:
        return "keep"
    if (ids[0], ids[1]) in {(device.vendor, device.product) for device in model.onboard}:
        return first.verdict if first.peripheral in may_pass else "keep"
    return first.verdict


@settings(max_examples=40)
@given(policies(), models(), MAY_PASS)
def test_every_point_is_what_the_lines_say(
    policy: PlannedPolicy, model: PlannedModel, may_pass: frozenset[str]
) -> None:
    tables = make_tables(policy, model, may_pass)
    places = [(None, tables.room), *((socket.label, table) for socket, table in tables.sockets)]
    for label, table in places:
        for point in all_points():
            assert table.at(*point).verdict == expected(policy, model, may_pass, label, point)


@given(policies(), models(), devices())
def test_a_device_gets_the_least_of_its_points(
    policy: PlannedPolicy, model: PlannedModel, device: Device
) -> None:
    table = make_tables(policy, model, NOBODY).room
    verdict = table.verdict(device)
    if not device.interfaces:
        assert verdict == "keep"
        return
    ids = (device.vendor, device.product, device.bcd_device)
    by_point = {table.at(code, *ids).verdict for code in points(device)}
    assert verdict == min(by_point, key=LEAST_FIRST.index)


def test_the_more_specific_line_decides() -> None:
    exact = line("keep", 0x1209, 3, 0x0110)
    by_id = line("redirect", 0x1209, 3)
    vendor = line("offer", 0x1209)
    storage = line("redirect", None, None, None, 0x08)
    rest = line("offer")
    table = make_tables(policy(rest, storage, vendor, by_id, exact), model(), NOBODY).room
    assert table.at(0x08, 0x1209, 3, 0x0110).line == exact
    assert table.at(0x08, 0x1209, 3, 0x0100).line == by_id
    assert table.at(0x08, 0x1209, 4, 0x0110).line == vendor
    assert table.at(0x08, OTHER, 3, 0x0110).line == storage
    assert table.at(0x0B, OTHER, 3, 0x0110).line == rest


def test_a_sockets_class_comes_before_the_rooms_id() -> None:
    by_id = line("redirect", 0x1209, 3)
    at_the_shelf = line("keep", None, None, None, 0x08, socket=SHELF)
    tables = make_tables(policy(by_id, at_the_shelf), model(labels=[SHELF]), NOBODY)
    ((_, shelf),) = tables.sockets
    assert tables.room.at(0x08, 0x1209, 3, 0).verdict is Verdict.REDIRECT
    assert shelf.at(0x08, 0x1209, 3, 0).verdict is Verdict.KEEP
    assert shelf.at(0x03, 0x1209, 3, 0).verdict is Verdict.REDIRECT


def test_a_peripheral_speaks_for_its_interfaces_but_is_kept_whole() -> None:
    redirected = line("redirect", 0x1209, 5, None, 0x01, peripheral="headset")
    table = make_tables(policy(redirected), model(), NOBODY).room
    assert table.at(0x01, 0x1209, 5, 0).verdict is Verdict.REDIRECT
    assert table.at(0x03, 0x1209, 5, 0).verdict is Verdict.KEEP
    kept = line("keep", 0x1209, 5, None, 0x01, peripheral="headset")
    hid = line("redirect", None, None, None, 0x03)
    table = make_tables(policy(kept, hid), model(), NOBODY).room
    assert table.at(0x03, 0x1209, 5, 0).verdict is Verdict.KEEP


def test_onboard_devices_and_hubs_come_before_every_line() -> None:
    lines = (line("redirect"), line("redirect", *ADAPTER), line("redirect", None, None, None, 9))
    table = make_tables(policy(*lines), model(ADAPTER), frozenset({"adapter"})).room
    ruling = table.at(0x02, *ADAPTER, 0x0100)
    assert (ruling.verdict, ruling.protects) == (Verdict.KEEP, True)
    assert ruling.origin == "models/ridge/onboard/0"
    assert table.at(0x09, OTHER, OTHER, OTHER).protects
    assert table.at(0x02, *ADAPTER[:1], OTHER, OTHER).verdict is Verdict.REDIRECT


def test_where_port_paths_decide_only_that_peripheral_is_heard() -> None:
    named = line("redirect", *ADAPTER, None, 0x02, peripheral="adapter")
    lines = (named, line("redirect", None, None, None, 0xFF))
    table = make_tables(policy(*lines), model(ADAPTER), frozenset({"adapter"})).room
    assert table.at(0x02, *ADAPTER, 0x0100).line == named
    assert table.at(0xFF, *ADAPTER, 0x0100).protects
    assert make_tables(policy(*lines), model(ADAPTER), NOBODY).room.at(0x02, *ADAPTER, 0).protects


def test_a_device_that_shows_nothing_is_kept() -> None:
    table = make_tables(policy(line("redirect")), model(), NOBODY).room
    assert table.verdict(Device(0x1209, 3, configured=False)) is Verdict.KEEP
    assert table.verdict(Device(0x1209, 3, interfaces=())) is Verdict.KEEP
    assert table.verdict(Device(0x1209, 3, interfaces=(Interface(8),))) is Verdict.REDIRECT


@pytest.mark.parametrize(
    ("first", "second", "contradicts"),
    [
        (line("redirect", None, None, None, 8), line("keep", None, None, None, 8), True),
        (line("redirect", None, None, None, 8), line("keep", None, None, None, 3), False),
        (line("redirect", None, None, None, 8), line("keep"), False),
        (line("redirect", 0x1209, 3), line("offer", 0x1209, 3, None, 8), True),
        (line("redirect", 0x1209, 3), line("redirect", 0x1209, 3, None, 8), False),
        (line("redirect", 0x1209, 3, None, 3), line("offer", 0x1209, 3, None, 8), False),
        (line("redirect", 0x1209, 3), line("offer", 0x1209, 3, 0x0110), False),
        (line("redirect", 0x1209), line("keep", 0x1209, 3), False),
        (line("redirect", 0x1209), line("keep", 0x1209, socket=SHELF), False),
        (line("offer", socket=SHELF), line("keep", socket=SHELF), True),
    ],
)
def test_lines_of_one_rank_that_contradict(
    first: PlannedLine, second: PlannedLine, contradicts: bool
) -> None:
    found = contradictions(policy(first, second))
    assert [(one.first, one.second) for one in found] == [(first, second)] * contradicts


def test_a_kept_peripheral_contradicts_its_id_in_any_class() -> None:
    kept = line("keep", 0x1209, 5, None, 0x01, peripheral="headset")
    assert contradictions(policy(kept, line("redirect", 0x1209, 5, None, 0x08)))


def test_idle_lines_are_named_with_what_decides_instead() -> None:
    hub = line("redirect", None, None, None, 0x09)
    onboard = line("keep", *ADAPTER)
    once, twice = line("offer", 0x1209, 3), line("offer", 0x1209, 3, origin="again")
    elsewhere = line("redirect", socket="no such label")
    some = policy(hub, onboard, once, twice, elsewhere)
    ridge = model(ADAPTER)
    idle = idle_lines(some, ridge, make_tables(some, ridge, NOBODY))
    assert [(one.line, one.deciders, one.otherwise) for one in idle] == [
        (hub, ("models/ridge",), True),
        (onboard, ("models/ridge/onboard/0",), False),
        (twice, (once.origin,), False),
    ]


def test_a_line_that_decides_at_one_socket_only_is_not_idle() -> None:
    rest = line("keep", None, None, None, 0x08)
    covered = line("redirect", None, None, None, 0x08, socket=SHELF)
    some, ridge = policy(rest, covered), model(labels=[SHELF])
    assert idle_lines(some, ridge, make_tables(some, ridge, NOBODY)) == ()


@settings(max_examples=40)
@given(policies(), models())
def test_an_idle_line_can_be_left_out(policy: PlannedPolicy, model: PlannedModel) -> None:
    tables = make_tables(policy, model, NOBODY)
    idle = {one.line.origin for one in idle_lines(policy, model, tables)}
    left = tuple(line for line in policy.lines if line.origin not in idle)
    without = make_tables(
        PlannedPolicy(name="", title="", lines=left, origin=policy.origin), model, NOBODY
    )
    others = {socket.label: table for socket, table in without.sockets}
    pairs = [(tables.room, without.room)]
    pairs += [(table, others.get(socket.label, without.room)) for socket, table in tables.sockets]
    for table, other in pairs:
        assert all(table.at(*point).verdict == other.at(*point).verdict for point in all_points())
