"""The book in a real browser, as people use it: links, keyboard, zoom, paper, assistive tools."""

from __future__ import annotations

import json
import re
import subprocess
from importlib.resources import files
from pathlib import Path

import pytest
from book_pages import DEMO, Open, make_book
from playwright.sync_api import Page

PLACES = ("rooms", "room-reading-room", "technician", "try", "approve", "findings", "changes")
AXE = (files("axe_playwright_python") / "axe.min.js").read_text(encoding="utf-8")
HOSTILE = "</script><img src=x onerror=alert(1)>"


@pytest.fixture(scope="session")
def changed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo site with a change and a promise that it breaks, and names that are no names."""
    folder = tmp_path_factory.mktemp("changed") / "inventories" / "fennmoor"
    for path in (*DEMO.rglob("*.yml"), *DEMO.rglob("*.txt")):
        if "rendered" in path.relative_to(DEMO).parts:
            continue
        text = path.read_text(encoding="utf-8")
        text = text.replace("offer: [film-scanner]", "offer: [film-scanner, printer]", 1)
        text = text.replace("document-camera, offer: true", "document-camera, redirect: true")
        text = text.replace("title: Map Room", f"title: {json.dumps(HOSTILE)}")
        target = folder / path.relative_to(DEMO)
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_text(text, encoding="utf-8")
    return make_book(folder, folder.parent / "changed.html", "--since", str(DEMO))


def shown(page: Page) -> str:
    return page.locator("[data-page].shown").get_attribute("id") or ""


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_no_violation(changed: Path, open_book: Open, scheme: str) -> None:
    """https://www.deque.com/axe/core-documentation: all its rules but the experimental ones."""
    page = open_book(changed, color_scheme=scheme)
    page.evaluate(AXE)
    for place in PLACES:
        page.evaluate("(place) => { location.hash = place; }", place)
        if place == "try":
            page.fill("#try-id", "1209:0006")
            page.fill("#try-interfaces", "video, audio, hid/1/1")
        if place == "technician":
            page.fill("#find", "r")
        result = page.evaluate("() => axe.run()")
        said = [
            (one["id"], [(node["target"], node["failureSummary"]) for node in one["nodes"][:3]])
            for one in result["violations"]
        ]
        assert said == [], place
        assert len(result["passes"]) > 15


def test_every_link_shows_what_it_names(changed: Path, open_book: Open) -> None:
    page = open_book(changed, "technician")  # whose rows have links of their own
    links = page.evaluate("[...document.querySelectorAll('a')].map((a) => a.getAttribute('href'))")
    assert len(set(links)) > 20
    for link in sorted(set(links)):
        page.evaluate("(link) => { location.hash = link; }", link)
        assert page.locator(link).is_visible(), link


def test_hostile_names_are_text(changed: Path, open_book: Open) -> None:
    page = open_book(changed, "room-map-room")
    assert page.locator("#room-title-map-room").inner_text() == HOSTILE
    page.evaluate("() => { location.hash = 'technician'; }")
    page.fill("#seat-filter", "mr-1")
    assert HOSTILE in page.locator("#seat-table tbody").inner_text()
    page.fill("#find", "onerror")
    assert HOSTILE in page.locator("#find-results").inner_text()
    page.evaluate("() => { location.hash = 'try'; }")
    page.fill("#try-id", "1209:0003")
    page.fill("#try-interfaces", "smart-card")
    assert HOSTILE in page.locator("#try-output").inner_text()
    assert page.locator("img").count() == 0


def test_the_keyboard_is_enough(demo: Path, open_book: Open) -> None:
    page = open_book(demo)

    def focused() -> str:
        return str(page.evaluate("document.activeElement.textContent")).strip()

    page.keyboard.press("Tab")
    assert focused() == "Go to the content"
    for _ in range(3):
        page.keyboard.press("Tab")
    assert focused() == "Try a device"
    page.keyboard.press("Enter")
    assert shown(page) == "try"
    assert focused() == "Try a device"  # its heading now
    page.keyboard.press("Tab")
    page.keyboard.type("microfilm")  # chooses in the list of the site's own devices
    assert page.locator("#try-id").input_value() == "1209:0004"
    assert "Digitisation" in page.locator("#try-output").inner_text()
    page.focus("#find")
    page.keyboard.type("of-12")
    page.keyboard.press("ArrowDown")
    assert "of-12" in focused()
    page.keyboard.press("Enter")
    assert shown(page) == "technician"
    assert page.locator("#seat-table tbody tr").count() == 1
    assert page.evaluate("document.activeElement.id") == "seats"
    page.focus("#find")
    page.keyboard.press("Escape")
    assert page.locator("#find-results").is_hidden()


def test_everything_that_scrolls_can_be_reached(demo: Path, open_book: Open) -> None:
    page = open_book(demo, "technician", viewport={"width": 400, "height": 600})
    assert (
        page.evaluate(
            """[...document.querySelectorAll('.shown *')].filter((one) =>
        one.scrollWidth > one.clientWidth + 1
        && getComputedStyle(one).overflowX === 'auto' && one.tabIndex < 0).length"""
        )
        == 0
    )


@pytest.mark.parametrize("width", [640, 320])  # 1,280 at 200 % and at 400 % (WCAG 2.2, 1.4.10)
def test_zoomed_in_nothing_has_to_be_scrolled_sideways(
    changed: Path, open_book: Open, width: int
) -> None:
    page = open_book(changed, viewport={"width": width, "height": 512})
    for place in PLACES:
        page.evaluate("(place) => { location.hash = place; }", place)
        assert page.evaluate("document.documentElement.scrollWidth") <= width, place
    page.fill("#find", "reading")
    box = page.locator("#find-results").bounding_box()
    assert box and box["x"] >= 0 and box["x"] + box["width"] <= width


def pages_of(pdf: Path) -> list[str]:
    """The text of each page, by poppler."""
    done = subprocess.run(["pdftotext", pdf, "-"], capture_output=True, text=True, check=True)
    return done.stdout.split("\f")[:-1]


def test_each_room_is_one_sheet_of_a4(demo: Path, open_book: Open, tmp_path: Path) -> None:
    page = open_book(demo, color_scheme="dark")
    page.pdf(path=tmp_path / "all.pdf", prefer_css_page_size=True)
    sheets = pages_of(tmp_path / "all.pdf")
    titles = ["Reading Room", "Map Room", "Front Desk", "Digitisation", "Offices"]
    assert len(sheets) == len(titles)
    for title, sheet in zip(titles, sheets, strict=True):
        assert title in sheet and "Tell the people who look after this room" in sheet
    done = subprocess.run(
        ["pdfinfo", tmp_path / "all.pdf"], capture_output=True, text=True, check=True
    )
    size = re.search(r"Page size: +([0-9.]+) x ([0-9.]+)", done.stdout)
    assert size and abs(float(size[1]) - 595) < 2 and abs(float(size[2]) - 842) < 2  # points


def test_one_sheet_is_printed_alone(demo: Path, open_book: Open, tmp_path: Path) -> None:
    page = open_book(demo, "room-front-desk")
    page.pdf(path=tmp_path / "one.pdf", prefer_css_page_size=True)
    (sheet,) = pages_of(tmp_path / "one.pdf")
    assert "Front Desk" in sheet and "Door sheets" not in sheet


def test_paper_is_white_and_ink_is_black_whatever_the_screen(demo: Path, open_book: Open) -> None:
    page = open_book(demo, "room-front-desk", color_scheme="dark")
    page.emulate_media(media="print")
    colours = "(one) => [getComputedStyle(one).color, getComputedStyle(one).backgroundColor]"
    assert page.locator("#room-front-desk").evaluate(colours) == [
        "rgb(0, 0, 0)",
        "rgb(255, 255, 255)",
    ]


def test_without_scripts_the_sheets_and_everything_written_is_there(
    demo: Path, open_book: Open
) -> None:
    page = open_book(demo, java_script_enabled=False)
    for place in ("room-reading-room", "models", "links", "promises", "findings"):
        assert page.locator(f"#{place}").is_visible(), place
    for absent in ("#seat-table", "#try-device", "#rule-lists", ".find"):
        assert page.locator(absent).is_hidden(), absent
    assert page.locator("noscript").count() == 3


def test_a_site_with_errors_shows_them(tmp_path: Path, open_book: Open) -> None:
    from seatwright.book.page import make_page
    from seatwright.commands.book import current_content

    (tmp_path / "site.yml").write_text("seatwright: 1\nsite: [", encoding="utf-8")
    book = tmp_path / "book.html"
    book.write_bytes(make_page(current_content(tmp_path)))
    page = open_book(book)
    assert shown(page) == "findings"
    assert page.locator(".finding").count() >= 1


def test_the_size_and_look_of_the_demo(demo: Path) -> None:
    assert demo.stat().st_size < 2_000_000
