"""The answers of a trace are those of the policy's table, of udev and of the session."""

from __future__ import annotations

import itertools
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import replace
from test_udev_rules import Plugged, node_key, random_device, random_key, rule_set, run

import policies
from seatwright.plan import PlannedModel, PlannedPolicy, RuleSet
from seatwright.policy.compile import compile_rules
from seatwright.policy.table import make_tables
from seatwright.render.udev import MOST_INTERFACES, udev_rules
from seatwright.trace.forms import forms_of
from seatwright.trace.layers import decided, stopped_by
from seatwright.trace.nodes import NodeReason, decide_node
from seatwright.trace.places import Asked, Unit, Where, at_port, everywhere
from seatwright.trace.subject import Subject
from seatwright.usb.device import Device, Interface
from seatwright.usb.portpath import parse_port_path


def unit_of(model: PlannedModel, rules: RuleSet) -> Unit:
    return Unit("reading-room/ridge", model, rules, 3, ("rr-01",))


def subject_of(device: Device) -> Subject:
    return Subject(
        "the device", device.vendor, device.product, device.bcd_device,
        device.device_class, device.interfaces, configured=device.configured,
    )  # fmt: skip


def verdict(unit: Unit, place: Where, device: Device) -> str:
    asked = Asked(subject_of(device), device, unit, place)
    found = decided(asked)
    if stopped_by(asked, found):
        return "keep"
    return "redirect" if found.redirect.allowed else "offer"


@given(policies.policies(), policies.models(), policies.MAY_PASS, policies.devices())
def test_every_place_gets_what_the_table_says(
    policy: PlannedPolicy, model: PlannedModel, may_pass: frozenset[str], device: Device
) -> None:
    unit = unit_of(model, compile_rules(policy, model, may_pass))
    tables = make_tables(policy, model, may_pass)
    own = {socket.label: table for socket, table in tables.sockets}
    for place in everywhere(unit):
        for label in (*place.sockets, *([None] if place.others else [])):
            table = own.get(label, tables.room) if label else tables.room
            assert verdict(unit, place, device) == table.verdict(device)


@given(policies.policies(), policies.models(), policies.devices())
def test_a_port_path_is_its_sockets_and_an_onboard_one_is_kept(
    policy: PlannedPolicy, model: PlannedModel, device: Device
) -> None:
    onboard_ports = [replace(one, port=f"2-4.{at}") for at, one in enumerate(model.onboard, 1)]
    model = replace(model, onboard=tuple(onboard_ports))
    unit = unit_of(model, compile_rules(policy, model, frozenset()))
    by_label = {label: place for place in everywhere(unit) for label in place.sockets}
    for socket in model.sockets:
        behind_a_hub = at_port(unit, parse_port_path(f"{socket.ports[0]}.1"))
        assert behind_a_hub.sockets == (socket.label,)
        assert verdict(unit, behind_a_hub, device) == verdict(unit, by_label[socket.label], device)
    for onboard in model.onboard:
        place = at_port(unit, parse_port_path(onboard.port))
        asked = Asked(subject_of(device), device, unit, place)
        assert stopped_by(asked, decided(asked)) == "port path"


@pytest.mark.parametrize("seed", range(60))
def test_a_node_is_open_where_the_udev_rules_open_it(seed: int) -> None:
    chance = random.Random(seed)
    keys = [random_key(chance) for _ in range(chance.randrange(6))]
    lines = udev_rules(rule_set(keys), ())
    for _ in range(40):
        plugged = random_device(chance)
        device = Device(
            plugged.vendor, plugged.product, plugged.version, plugged.device_class,
            interfaces=tuple(Interface(code, 6, 80) for code in plugged.interfaces),
        )  # fmt: skip
        assert decide_node(keys, device).opened == run(lines, plugged).open


def test_udev_sees_other_settings_too() -> None:
    keys = [node_key([0x08])]
    drive = Device(0x1209, 0x0003, interfaces=(Interface(0x08, 6, 80),))
    assert decide_node(keys, drive).opened
    assert not decide_node(keys, drive, (Interface(0xFF, 0, 0),)).opened
    assert decide_node(keys, drive, (Interface(0x09, 0, 0),)).reason is NodeReason.HUB


def test_udev_does_not_list_so_many_interfaces() -> None:
    many = tuple(Interface(0x08, number, 0) for number in range(MOST_INTERFACES))
    key = node_key([], inverted=True)
    assert decide_node([key], Device(1, 1, interfaces=many[:-1])).opened
    assert decide_node([key], Device(1, 1, interfaces=many)).reason is NodeReason.TOO_MANY
    assert not run(udev_rules(rule_set([key]), ()), Plugged(interfaces=(0x08,) * 64)).open


@given(
    policies.policies(),
    policies.models(),
    st.sampled_from(policies.PRODUCTS),
    st.sampled_from((None, *policies.VERSIONS)),
)
def test_the_forms_of_a_device_stand_for_every_device_there_is(
    policy: PlannedPolicy, model: PlannedModel, product: int, version: int | None
) -> None:
    unit = unit_of(model, compile_rules(policy, model, frozenset()))
    unknown = Subject("the device", 0x1209, product, version)

    def answer(device: Device) -> tuple[str, ...]:
        return tuple(verdict(unit, place, device) for place in everywhere(unit))

    forms = forms_of(unknown, [unit.rules], answer)
    versions = (*policies.VERSIONS, policies.OTHER) if version is None else (version,)
    classes = {*policies.CLASSES, policies.OTHER_CLASS} - {0x09}
    every = {
        answer(unknown.form(number, usb_class))
        for number, usb_class in itertools.product(versions, classes)
    }
    assert {answer(form.device) for form in forms} == every
    assert len({form.words for form in forms}) == len(forms)
