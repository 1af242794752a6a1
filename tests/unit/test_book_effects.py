"""What a door sheet says happens is what the session decides."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import cast

from hypothesis import given, settings

from policies import devices, models, policies
from seatwright.book.effects import EVERYTHING_ELSE, Effects, Thing
from seatwright.plan import Plan, PlannedModel, PlannedPolicy
from seatwright.planning import make_plan
from seatwright.policy.compile import compile_policy
from seatwright.policy.proofs import plain, said_of, spots
from seatwright.site.allocations import Allocations
from seatwright.usb.device import Device
from sites import site_of

SITE = """
models:
  ridge:
    arch: arm64
    link: 1 Gb/s
    onboard: [{port: "2-3", id: "1209:0002", class: communications, carries: network}]
    sockets:
      - {port: "1-1", label: left}
      - {port: "1-2", label: right}
      - {port: "1-3", label: back}
peripherals:
  pen: {title: signature pen, id: "1209:0003", interfaces: [hid]}
  box: {id: "1209:0004"}
policies:
  p:
    redirect: [mass-storage, {id: "1209:0004", bcdDevice: "1.00"}]
    offer: [pen, "1209:*"]
    keep: [{id: "1209:0005", class: image}]
    sockets: {back: {keep: [everything]}}
hosts: {quay: {address: quay.example, listen: "::"}}
rooms: {hall: {policy: p, model: ridge, host: quay, seats: [h-1]}}
"""


def plan_of(folder: Path, text: str = SITE) -> Plan:
    return make_plan(site_of(folder, text), Allocations()).plan


def test_sockets_with_one_answer_share_a_column(tmp_path: Path) -> None:
    plan = plan_of(tmp_path)
    effects = Effects(plan)
    (rules,) = plan.rules.values()
    table = effects.table(rules, plan.models["ridge"].sockets, effects.things(["p"]))
    assert table.columns == ((1, 2), (3,))
    said = {row.thing: row.effects for row in table.rows}
    assert said[Thing(peripheral="pen")] == ("offer", "keep")
    assert said[Thing(classes=(8,))] == ("redirect", "keep")
    assert said[Thing("", 0x1209, 5, None, (6,))] == ("keep", "keep")
    assert said[Thing("", 0x1209, None, None, ())] == ("offer", "keep")
    assert said[EVERYTHING_ELSE] == ("keep", "keep")
    assert table.rows[-1].thing == EVERYTHING_ELSE
    assert table.keyboards_stay


def test_a_peripheral_that_leaves_its_release_open_depends(tmp_path: Path) -> None:
    plan = plan_of(tmp_path)
    (rules,) = plan.rules.values()
    spot = spots(rules)[0]
    assert Effects(plan).effect(spot, Thing(peripheral="box")) == "depends"
    assert set(Effects(plan).because(spot, "box")) == {
        "policies/p/redirect/1",
        "policies/p/offer/1",
    }


def test_everywhere_the_same_is_one_column(tmp_path: Path) -> None:
    plan = plan_of(tmp_path, SITE.replace("    sockets: {back: {keep: [everything]}}\n", ""))
    effects = Effects(plan)
    (rules,) = plan.rules.values()
    table = effects.table(rules, plan.models["ridge"].sockets, effects.things(["p"]))
    assert table.columns == ((),)


@settings(max_examples=150, deadline=None)
@given(policies(), models(), devices())
def test_the_answer_for_a_class_is_the_sessions_for_an_unnamed_device_of_it(
    policy: PlannedPolicy, model: PlannedModel, device: Device
) -> None:
    (rules,) = compile_policy(policy, [model], frozenset())
    lists = plain((*rules.permitted, *rules.redirect))
    unnamed = replace(device, vendor=0x7777, product=0x7777, device_class=0, configured=True)
    assert not any(rule.vendor == unnamed.vendor for rule in lists)
    effects = Effects(cast("Plan", None))  # classes are not looked up in a plan
    for spot in spots(rules):
        for one in device.interfaces:
            answer = effects.effect(spot, Thing(classes=(one.usb_class,)))
            alone = replace(unnamed, interfaces=(one,))
            assert answer == said_of(spot, alone).verdict.value
