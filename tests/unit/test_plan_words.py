"""policy/words.py and ``seatwright plan``: a plan that people and programs can read."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from seatwright.commands.main import main
from seatwright.plan import Plan
from seatwright.planning import make_plan
from seatwright.policy.words import (
    class_words,
    id_words,
    line_words,
    room_sentences,
    room_table,
)
from seatwright.site.allocations import Allocations
from sites import HEAD, site_of

ARCHIVE = """
models:
  ridge:
    arch: amd64
    link: 1 Gb/s
    network: internal
    sockets: [{port: "2-1", label: under the shelf}]
peripherals:
  card-reader: {title: "reader's card terminal", id: "1209:0003", interfaces: [smart-card]}
  foot-pedal: {id: "1209:0009", interfaces: [hid]}
policies:
  readers:
    redirect: [card-reader, mass-storage]
    offer: ["1209:*", {id: "1209:0010", class: [printer, image]}]
    sockets: {under the shelf: {keep: [everything]}}
  helped: {redirect: [foot-pedal, everything]}
hosts: {quay: {address: quay, listen: "::"}}
rooms:
  reading-room:
    title: Reading Room
    policy: readers
    model: ridge
    host: quay
    ports: 1
    seats: [rr-01, {name: rr-02, policy: helped}]
"""


@pytest.fixture
def plan(tmp_path: Path) -> Plan:
    return make_plan(site_of(tmp_path, ARCHIVE), Allocations()).plan


def test_ids_and_classes() -> None:
    assert id_words(0x1209, 3) == "1209:0003"
    assert id_words(0x1209, None) == "1209:*"
    assert id_words(0x1209, 3, 0x0110) == "1209:0003 version 1.10"
    assert id_words(None, None) == "any"
    assert class_words(0x08) == "drives and memory sticks (mass-storage)"
    assert class_words(0x58) == "devices of class 0x58"


def test_lines_in_words(plan: Plan) -> None:
    lines = {line.text: line for line in plan.policies["readers"].lines}
    words = {text: line_words(line, plan.peripherals) for text, line in lines.items()}
    assert words == {
        "everything": "everything else",
        '{id: "1209:0010", class: [image, printer]}': "the device 1209:0010 (where it is cameras "
        "and scanners (image) or printers (printer))",
        "card-reader": "the reader's card terminal (1209:0003)",
        "1209:*": "everything else with the vendor number 1209",
        "mass-storage": "drives and memory sticks (mass-storage)",
    }


def test_a_rooms_table_ends_with_everything_else(plan: Plan) -> None:
    rows = room_table(plan, plan.rooms["reading-room"])
    readers = [(row.what, row.where) for row in rows if row.policy == "readers"]
    assert readers[0] == ("everything else", "under the shelf")
    assert readers[-1] == ("everything else", None)
    assert rows[-1].happens == "goes to the guest by itself"
    assert rows[-1].origin == "policies/helped/redirect/1"


def test_three_sentences(plan: Plan) -> None:
    assert room_sentences(plan, plan.rooms["reading-room"]) == (
        "Goes to the guest by itself: the reader's card terminal (1209:0003) and drives and memory "
        "sticks.",
        "Goes when the person at the seat picks it: the device 1209:0010 (where it is cameras and "
        "scanners or printers) and everything else with the vendor number 1209.",
        "Everything else stays at the seat, and in any case the client's own devices and "
        'everything in the socket "under the shelf"; a device that is several things at once goes '
        "only if each of them may, and at most one device goes at one time.",
    )


def test_a_seat_with_more_ports_is_named(tmp_path: Path) -> None:
    more = ARCHIVE.replace("policy: helped}", "policy: helped, ports: 4}")
    plan = make_plan(site_of(tmp_path, more), Allocations()).plan
    last = room_sentences(plan, plan.rooms["reading-room"])[-1]
    assert last.endswith("and at most one device goes at one time (4 at rr-02).")


def test_one_form_at_a_time(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "site.yml").write_text(HEAD + ARCHIVE)
    status, out, err = run(capsys, str(tmp_path), "--summary", "--json")
    assert (status, out) == (2, "")
    assert "take one" in err


def run(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, str, str]:
    status = main(["plan", *arguments])
    said = capsys.readouterr()
    return status, said.out, said.err


def test_the_command_prints_json(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "site.yml").write_text(HEAD + ARCHIVE)
    status, out, _ = run(capsys, str(tmp_path))
    assert (status, json.loads(out)["rooms"]["reading-room"]["pilot"]) == (0, "rr-01")
    assert not (tmp_path / "allocations.yml").exists()


def test_the_command_uses_the_numbers_given(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "site.yml").write_text(HEAD + ARCHIVE)
    (tmp_path / "allocations.yml").write_text("allocations: 1\nseats: {rr-02: 7}\n")
    _, out, _ = run(capsys, str(tmp_path / "site.yml"))
    seats = json.loads(out)["seats"]
    assert (seats["rr-01"]["number"], seats["rr-02"]["number"]) == (1, 7)
    (tmp_path / "allocations.yml").write_text("allocations: 1\nseats: {rr-01: 7, rr-02: 7}\n")
    status, out, _ = run(capsys, str(tmp_path))
    assert status == 2
    assert "number-given-twice" in out


def test_the_command_prints_a_summary(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "site.yml").write_text(HEAD + ARCHIVE)
    status, out, _ = run(capsys, str(tmp_path), "--summary")
    assert status == 0
    assert out.startswith("Fennmoor Town Archive: 1 room, 2 seats, 1 model, 1 host, 2 rule sets\n")
    assert "reading-room (2 seats, policy readers, 1 port each)\n  Goes to the guest" in out


def test_a_site_with_errors_has_no_plan(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    wrong = ARCHIVE.replace("redirect: [card-reader", 'redirect: [everything, "1209:0003"')
    both = wrong.replace('offer: ["1209:*"', 'offer: [{id: "1209:0003", class: hid}')
    (tmp_path / "site.yml").write_text(HEAD + both)
    status, out, err = run(capsys, str(tmp_path))
    assert status == 1
    assert "[contradiction]" in out
    assert not out.startswith("{")
    assert "has no plan" in err
    (tmp_path / "site.yml").write_text(HEAD + ARCHIVE.replace("policy: readers", "policy: nobody"))
    assert run(capsys, str(tmp_path))[0] == 2
