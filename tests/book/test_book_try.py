"""Try a device: what the page says is what Python decides, for every rule set of the demo."""

from __future__ import annotations

from pathlib import Path

import pytest
from book_pages import DEMO, Open
from playwright.sync_api import Page

from seatwright.plan import Plan
from seatwright.planning import make_plan
from seatwright.policy.proofs import said_of, spots_at
from seatwright.policy.words import HAPPENS
from seatwright.site.allocations import Allocations
from seatwright.site.read import read_site
from seatwright.usb.device import Device, Interface

SAMPLE = Path(__file__).parents[1] / "unit" / "usb_samples" / "desk.txt"


@pytest.fixture(scope="module")
def plan() -> Plan:
    site = read_site(DEMO).site
    assert site is not None
    return make_plan(site, Allocations()).plan


def rows(page: Page) -> list[list[str]]:
    """Room (repeated over its rows), socket, what happens, why."""
    found: list[list[str]] = []
    for row in page.locator("#try-output tbody tr").all():
        cells = [cell.inner_text().strip() for cell in row.locator("th, td").all()]
        found.append(cells if len(cells) == 4 else [found[-1][0], *cells])
    return found


def test_what_is_shown_is_what_is_decided(demo: Path, open_book: Open, plan: Plan) -> None:
    page = open_book(demo, "try")
    shown = 0
    for peripheral in plan.peripherals.values():
        if not peripheral.interfaces:
            continue
        page.select_option("#try-known", label=peripheral.title or peripheral.name)
        said = {(room, socket.replace("\n", " ")): what for room, socket, what, _ in rows(page)}
        device = Device(
            peripheral.vendor,
            peripheral.product,
            peripheral.bcd_device or 0,
            peripheral.device_class,
            interfaces=tuple(
                Interface(one.usb_class, one.subclass, one.protocol)
                for one in peripheral.interfaces
            ),
        )
        for room in plan.rooms.values():
            for name in room.cells:
                cell = plan.cells[name]
                for socket in plan.models[cell.model].sockets:
                    spot = spots_at(plan.rules[cell.rules], socket.label)[0]
                    verdict = HAPPENS[said_of(spot, device).verdict]
                    assert verdict in answers(said, room.title, socket.label), (name, socket.label)
                    shown += 1
    assert shown > 100


def answers(said: dict[tuple[str, str], str], room: str, socket: str) -> set[str]:
    """What the table says of a room and socket (for one or several groups of its seats)."""
    return {
        what
        for (rooms, sockets), what in said.items()
        if room in rooms and (sockets == "any" or f"“{socket}”" in sockets)
    }


def test_the_reason_names_rule_interface_and_line(demo: Path, open_book: Open) -> None:
    page = open_book(demo, "try")
    page.fill("#try-id", "1209:000a")
    page.select_option("#try-class", "239")
    page.fill("#try-interfaces", "mass-storage/6/80, audio")
    reading = next(row for row in rows(page) if "Reading Room" in row[0] and "lamp" in row[1])
    assert reading[2] == HAPPENS["keep"]
    assert "interface 1, mass-storage: keeps drives and memory sticks" in reading[3]
    assert "policy readers, keep: field-recorder" in reading[3]
    assert "rule " in reading[3]


def test_the_networks_own_id_is_kept_and_says_whose_it_is(demo: Path, open_book: Open) -> None:
    page = open_book(demo, "try")
    page.fill("#try-id", "1209:000e")
    page.fill("#try-interfaces", "mass-storage")
    why = "\n".join(row[3] for row in rows(page))
    assert "onboard device of Tarn at 2-5, carries the network" in why


def test_the_hosts_looser_filter_is_pointed_out(demo: Path, open_book: Open) -> None:
    page = open_book(demo, "try")
    page.fill("#try-id", "0001:0001")
    page.fill("#try-interfaces", "mass-storage/6/80, hid/0/0")
    text = page.locator("#try-output").inner_text()
    assert "The host's filter alone would let it pass; the seat keeps it." in text
    assert "3/0/0 HID" in text


@pytest.mark.parametrize(
    ("field", "text", "message"),
    [
        ("#try-id", "12:3", "four hexadecimal digits"),
        ("#try-version", "1.1.0", "release number"),
        ("#try-interfaces", "storage", "class name"),
        ("#try-interfaces", "hid/1", "class/subclass/protocol"),
        ("#try-interfaces", "300", "0 to 255"),
    ],
)
def test_what_cannot_be_read_is_said(
    demo: Path, open_book: Open, field: str, text: str, message: str
) -> None:
    page = open_book(demo, "try")
    page.fill("#try-id", "1209:0003")
    page.fill("#try-interfaces", "hid")
    assert rows(page)
    page.fill(field, text)
    assert message in page.locator("#try-problem").inner_text()
    assert rows(page) == []


def test_pasted_and_dropped_lsusb_text_is_read(demo: Path, open_book: Open) -> None:
    page = open_book(demo, "try")
    page.locator("summary").filter(has_text="lsusb").click()
    page.fill("#try-text", SAMPLE.read_text(encoding="utf-8"))
    assert page.locator("#try-id").input_value() == "1209:0005"
    assert page.locator("#try-interfaces").input_value() == "audio/1/0, audio/2/0, hid/0/0"
    page.select_option("#try-pick", index=1)
    assert page.locator("#try-id").input_value() == "1209:0001"
    assert {row[2] for row in rows(page)} == {HAPPENS["keep"]}
    page.fill("#try-text", "no device")
    assert "Line 1: No device stands here" in page.locator("#try-problem").inner_text()
    page.set_input_files("#try-file", SAMPLE)
    page.wait_for_function("document.querySelector('#try-id').value === '1209:0005'")
