"""The book: of the demo site, and of a site of 10,000 seats; made, opened, searched.

Limits: the demo's under 1 s and 2 MB; the big one's under 10 s and 25 MB, its first view under
1 s, a search as one types under 50 ms a key.  Making is processor time (the best of some), read
from the files to the bytes, all checks included; opening and searching are what a person waits,
in Debian's Chromium: from the address to the list of rooms drawn (the book is still coming in then)
and to the whole book being ready, and from a key to its hits laid out (the median of the keys).
"""

from __future__ import annotations

import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from playwright.sync_api import Page, sync_playwright
from rich.console import Console
from rich.table import Table

sys.path.insert(0, str(Path(__file__).parents[1]))
sys.path.insert(0, str(Path(__file__).parents[1] / "book"))

from book_pages import CHROMIUM, DEMO, FLAGS

from seatwright.book.page import make_page
from seatwright.commands.book import current_content
from support.bigsite import write_big_site

SEEN = """() => { window.looking = setInterval(() => {
  if (document.querySelector(".rooms li")?.offsetHeight) {
    clearInterval(window.looking);
    requestAnimationFrame(() => requestAnimationFrame(() => { window.seen = performance.now(); }));
  }
}, 10); }"""
"""Run before the page's own: notes when the first room is drawn."""

OPENED = """() => new Promise((done) => {
  const look = () => (window.seen && document.querySelector("[data-page].shown")
    ? requestAnimationFrame(() => done([window.seen, performance.now()]))
    : requestAnimationFrame(look));
  look();
})"""

TYPED = """([id, text]) => new Promise((done) => {
  const input = document.getElementById(id);
  const times = [];
  const type = (at) => {
    if (at > text.length) {
      done(times);
      return;
    }
    const began = performance.now();
    input.value = text.slice(0, at);
    input.dispatchEvent(new Event("input", { bubbles: true }));
    document.body.offsetHeight; // laid out, too
    times.push(performance.now() - began);
    requestAnimationFrame(() => type(at + 1));
  };
  type(1);
})"""


def best(run: Callable[[], bytes], repeats: int) -> tuple[float, bytes]:
    """The least processor time, in seconds, and what was made."""
    times, made = [], b""
    for _ in range(repeats):
        began = time.process_time()
        made = run()
        times.append(time.process_time() - began)
    return min(times), made


def book_of(site: Path) -> bytes:
    """The book of a site from its files, as the verb makes it."""
    content = current_content(site)
    if content.plan is None:
        raise SystemExit(f"{site} cannot be planned: {content.findings[:2]}")
    return make_page(content)


def in_browser(book: Path) -> tuple[float, float, float, float, float]:
    """Milliseconds: first view and ready (the best of three), median and worst key of a search,
    worst key of a device that is tried.
    """
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=list(FLAGS))
        views = [opened(browser.new_page(), book) for _ in range(3)]
        first, ready = (min(some) for some in zip(*views, strict=True))
        page = browser.new_page()
        opened(page, book)
        keys = page.evaluate(TYPED, ["find", "r17-s4 host"])
        page.evaluate("() => { location.hash = 'technician'; }")
        keys += page.evaluate(TYPED, ["seat-filter", "room 42 model-7"])
        page.evaluate("() => { location.hash = 'try'; }")
        trying = page.evaluate(TYPED, ["try-id", "1209:0003"])
        browser.close()
    return first, ready, statistics.median(keys), max(keys), max(trying)


def opened(page: Page, book: Path) -> tuple[float, float]:
    """Milliseconds from the address to the first page drawn, and to the book being ready."""
    page.add_init_script(f"({SEEN})()")
    page.goto(book.as_uri(), wait_until="commit")
    first, ready = page.evaluate(OPENED)
    return float(first), float(ready)


def main() -> int:
    """Print the figures; 1 where one is over its limit."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write_big_site(folder / "big")
        demo_time, demo = best(lambda: book_of(DEMO), 5)
        big_time, big = best(lambda: book_of(folder / "big"), 2)
        (folder / "big.html").write_bytes(big)
        first, ready, median, worst, trying = in_browser(folder / "big.html")
    figures = (
        ("demo: made", demo_time, 1.0, "s"),
        ("demo: size", len(demo) / 1e6, 2.0, "MB"),
        ("10,000 seats: made", big_time, 10.0, "s"),
        ("10,000 seats: size", len(big) / 1e6, 25.0, "MB"),
        ("10,000 seats: first view", first / 1e3, 1.0, "s"),
        ("10,000 seats: whole book ready", ready / 1e3, None, "s"),
        ("10,000 seats: a key of a search, median", median, 50.0, "ms"),
        ("10,000 seats: a key of a search, worst", worst, None, "ms"),
        ("10,000 seats: a device tried, worst key", trying, None, "ms"),
    )
    table = Table(title="The book")
    for head in ("what", "measured", "limit"):
        table.add_column(head)
    for what, measured, limit, unit in figures:
        shown = "" if limit is None else f"{limit:g} {unit}"
        table.add_row(what, f"{measured:.2f} {unit}", shown)
    Console().print(table)
    return int(any(limit is not None and measured > limit for _, measured, limit, _ in figures))


if __name__ == "__main__":
    sys.exit(main())
