"""planning.py: everything resolved, the seat before its room, numbers kept, problems said."""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import pytest

from seatwright.findings.catalogue import BY_SLUG
from seatwright.plan import Plan, from_json, plan_schema, source_path, to_json
from seatwright.planning import Planned, make_plan
from seatwright.site.allocations import Allocations
from sites import site_of

ARCHIVE = """
models:
  ridge:
    arch: arm64
    link: 1 Gb/s
    onboard:
      - {port: "2-3", id: "1209:0001", class: hub}
      - {port: "2-3.4", id: "1209:0002", class: communications, carries: network}
    sockets:
      - {port: "2-3.1", label: under the shelf}
      - {port: ["1-2", "3-2"], label: beside the lamp, speed: super}
  vale: {arch: amd64, link: 1 Gb/s, network: internal}
peripherals:
  card-reader: {id: "1209:0003", interfaces: [smart-card]}
  adapter: {id: "1209:0002", interfaces: [communications], port-paths-decide: true}
policies:
  readers: {redirect: [mass-storage], offer: [image]}
  desk: {redirect: [card-reader]}
hosts:
  quay: {address: quay.example, listen: 192.0.2.1, spice-ports: 5901-5910}
  mole: {address: mole.example, listen: 192.0.2.2}
rooms:
  reading-room:
    policy: readers
    model: ridge
    host: quay
    ports: 3
    seats:
      - rr-01 to rr-03
      - {name: rr-04, model: vale}
      - {name: rr-05, policy: desk, host: mole, guest: clerk, address: 192.0.2.50, ports: 20}
  cellar: {policy: desk, model: vale, host: quay, restart: never}
"""


@pytest.fixture
def archive(tmp_path: Path) -> Planned:
    return make_plan(site_of(tmp_path, ARCHIVE), Allocations())


def slugs(planned: Planned) -> list[str]:
    return [problem.slug for problem in planned.problems]


def test_a_seat_says_more_than_its_room(archive: Planned) -> None:
    plan = archive.plan
    assert archive.problems == ()
    assert [(seat.name, seat.number, seat.cell) for seat in plan.seats.values()] == [
        ("rr-01", 1, "reading-room/ridge"),
        ("rr-02", 2, "reading-room/ridge"),
        ("rr-03", 3, "reading-room/ridge"),
        ("rr-04", 4, "reading-room/vale"),
        ("rr-05", 5, "reading-room/ridge/desk"),
    ]
    clerk = plan.seats["rr-05"]
    assert (clerk.guest, clerk.host, clerk.address) == ("clerk", "mole", "192.0.2.50")
    assert plan.seats["rr-04"].address == plan.seats["rr-04"].guest == "rr-04"


def test_rooms_cells_and_rule_sets(archive: Planned) -> None:
    plan = archive.plan
    room = plan.rooms["reading-room"]
    assert (room.pilot, room.restart, room.cells) == (
        "rr-01",
        "if-idle",
        ("reading-room/ridge", "reading-room/vale", "reading-room/ridge/desk"),
    )
    cellar = plan.rooms["cellar"]
    assert (cellar.pilot, cellar.restart, cellar.cells) == (None, "never", ())
    assert sorted(plan.rules) == ["desk/ridge", "readers/ridge", "readers/vale"]
    assert plan.cells["reading-room/vale"].rules == "readers/vale"
    assert plan.guests["clerk"].rules == "desk/ridge"


def test_guests_have_their_ports(archive: Planned) -> None:
    guests = archive.plan.guests
    assert [(port.bus, port.port) for port in guests["rr-01"].ports] == [
        (0, "2"),
        (0, "3"),
        (0, "4"),
    ]
    assert len(guests["clerk"].ports) == 20
    assert [one.index for one in guests["clerk"].controllers] == [0, 1]
    assert guests["rr-01"].spice_port == 5901
    assert guests["clerk"].spice_port == 5901
    assert archive.plan.hosts["quay"].guests == ("rr-01", "rr-02", "rr-03", "rr-04")


def test_numbers_stay_when_seats_come_and_go(tmp_path: Path, archive: Planned) -> None:
    without_first = ARCHIVE.replace("rr-01 to rr-03", "rr-02 to rr-03")
    second = make_plan(site_of(tmp_path, without_first), archive.allocations)
    assert second.plan.seats["rr-02"].number == 2
    assert second.allocations.retired_seats == {"rr-01": 1}
    assert second.allocations.retired_ports == {"quay": {"rr-01": 5901}}
    more = without_first.replace("- rr-02", "- new-01\n      - rr-02")
    third = make_plan(site_of(tmp_path, more), second.allocations)
    assert (third.plan.seats["new-01"].number, third.plan.guests["new-01"].spice_port) == (6, 5905)
    back = make_plan(site_of(tmp_path, ARCHIVE), third.allocations)
    assert back.plan == archive.plan
    assert back.allocations.retired_seats == {"new-01": 6}


def test_planning_again_changes_no_number(tmp_path: Path, archive: Planned) -> None:
    again = make_plan(site_of(tmp_path, ARCHIVE), archive.allocations)
    assert again == archive


def test_a_retired_port_is_given_again_only_when_no_other_is_left(tmp_path: Path) -> None:
    small = ARCHIVE.replace("5901-5910", "5901-5904")
    first = make_plan(site_of(tmp_path, small), Allocations())
    other = small.replace("rr-01 to rr-03", "new-01 to new-03")
    second = make_plan(site_of(tmp_path, other), first.allocations)
    given = {name: guest.spice_port for name, guest in second.plan.guests.items()}
    assert given == {"new-01": 5901, "new-02": 5902, "new-03": 5903, "rr-04": 5904, "clerk": 5901}
    assert second.allocations.retired_ports == {}
    assert second.problems == ()


def test_a_narrowed_range_is_said_and_no_port_moves(tmp_path: Path, archive: Planned) -> None:
    moved = ARCHIVE.replace("5901-5910", "5903-5910")
    second = make_plan(site_of(tmp_path, moved), archive.allocations)
    assert slugs(second) == ["spice-port-outside-range"]
    assert "rr-01 and rr-02" in second.problems[0].message
    assert second.problems[0].path == ("hosts", "quay", "spice-ports")
    assert second.plan.guests["rr-01"].spice_port == 5901


def test_an_onboard_id_in_a_line_is_an_error_with_both_places(tmp_path: Path) -> None:
    text = ARCHIVE.replace("redirect: [mass-storage]", 'redirect: ["1209:0002"]')
    (problem,) = make_plan(site_of(tmp_path, text), Allocations()).problems
    assert (problem.slug, problem.path) == ("onboard-id", ("policies", "readers", "redirect", 0))
    assert problem.also[0][0] == ("models", "ridge", "onboard", 1)
    assert "1209:0002" in problem.message
    assert "2-3.4" in problem.message


def test_where_port_paths_decide_the_blind_layers_are_named(tmp_path: Path) -> None:
    text = ARCHIVE.replace("redirect: [mass-storage]", "redirect: [adapter]")
    planned = make_plan(site_of(tmp_path, text), Allocations())
    (problem,) = planned.problems
    assert problem.slug == "port-paths-decide"
    assert "client's filter rules and the host's filter" in problem.message
    rules = planned.plan.rules["readers/ridge"].redirect
    assert [(rule.usb_class, rule.allow) for rule in rules if rule.product == 0x0002] == [
        (0x02, True),
        (-1, False),
    ]
    without = text.replace(", port-paths-decide: true", "")
    assert slugs(make_plan(site_of(tmp_path, without), Allocations())) == ["onboard-id"]


def test_lines_that_overlap_in_a_class_contradict(tmp_path: Path) -> None:
    lines = '{redirect: ["1209:0003"], keep: [{id: "1209:0003", class: hid}]}'
    text = ARCHIVE.replace("{redirect: [mass-storage], offer: [image]}", lines)
    (problem,) = make_plan(site_of(tmp_path, text), Allocations()).problems
    assert problem.slug == "contradiction"
    assert {problem.path, problem.also[0][0]} == {
        ("policies", "readers", "redirect", 0),
        ("policies", "readers", "keep", 0),
    }
    assert "of 1209:0003" in problem.message


def test_more_ports_than_the_controllers_have(tmp_path: Path) -> None:
    text = ARCHIVE.replace("ports: 3", "ports: 60\n    controller: ehci")
    planned = make_plan(site_of(tmp_path, text), Allocations())
    (problem,) = planned.problems
    assert (problem.slug, problem.path) == ("too-many-ports", ("rooms", "reading-room", "ports"))
    assert "xhci" in problem.hint
    assert len(planned.plan.guests["rr-01"].ports) == 53
    own = ARCHIVE.replace("ports: 20", "ports: 60").replace("ports: 3", "controller: ehci")
    (problem,) = make_plan(site_of(tmp_path, own), Allocations()).problems
    assert problem.path == ("rooms", "reading-room", "seats", 2, "ports")


def test_every_problem_is_in_the_catalogue(tmp_path: Path) -> None:
    text = ARCHIVE.replace("redirect: [mass-storage]", 'redirect: ["1209:0002"]')
    assert all(slug in BY_SLUG for slug in slugs(make_plan(site_of(tmp_path, text), Allocations())))


def test_json_and_back(archive: Planned) -> None:
    text = to_json(archive.plan)
    assert from_json(text) == archive.plan
    assert to_json(from_json(text)) == text
    assert text.startswith(b'{\n  "cells": {\n') and text.endswith(b"}\n")


def test_json_does_not_depend_on_the_order_of_the_description(tmp_path: Path) -> None:
    head, rooms = ARCHIVE.split("rooms:\n")
    body, cellar = rooms.split("  cellar")
    turned = f"{head}rooms:\n  cellar{cellar}{body}"
    one, other = (make_plan(site_of(tmp_path, text), Allocations()) for text in (ARCHIVE, turned))
    assert to_json(one.plan) == to_json(other.plan)


def test_the_schema_takes_what_is_written(archive: Planned) -> None:
    schema = plan_schema()
    validator = jsonschema.Draft202012Validator(schema)
    validator.check_schema(schema)
    document = json.loads(to_json(archive.plan))
    validator.validate(document)
    document["seats"]["rr-01"]["number"] = "one"
    assert not validator.is_valid(document)


def test_origins_lead_back_to_the_description(archive: Planned) -> None:
    plan: Plan = archive.plan
    assert source_path(plan.seats["rr-04"].origin) == ("rooms", "reading-room", "seats", 1)
    assert source_path(plan.policies["desk"].lines[0].origin) == ("policies", "desk", "redirect", 0)
