"""A real Chromium (Debian's) and the book of the demo site in it.

Every page watches itself: a console message, a script error or a request for anything but the
book fails the test that opened it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from book_pages import CHROMIUM, DEMO, FLAGS, Open, make_book
from playwright.sync_api import Browser, Page, sync_playwright


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=list(FLAGS))
        yield browser
        browser.close()


@pytest.fixture(scope="session")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_book(DEMO, tmp_path_factory.mktemp("book") / "demo.html")


@dataclass
class Watched:
    """What a page did that it must not do."""

    console: list[str] = field(default_factory=list)
    requests: list[str] = field(default_factory=list)


@pytest.fixture
def open_book(browser: Browser) -> Iterator[Open]:
    opened: list[tuple[Page, Watched, str]] = []

    def open_it(book: Path | str, at: str = "", **context: object) -> Page:
        address = book if isinstance(book, str) else book.as_uri()
        page = browser.new_context(**context).new_page()  # type: ignore[arg-type]
        watched = Watched()
        page.on("console", lambda message: watched.console.append(message.text))
        page.on("pageerror", lambda error: watched.console.append(str(error)))
        page.on("request", lambda request: watched.requests.append(request.url))
        opened.append((page, watched, address))
        page.goto(f"{address}#{at}" if at else address)
        return page

    yield open_it
    for page, watched, address in opened:
        page.context.close()
        assert watched.console == []
        allowed = (address, "data:image/svg+xml")
        assert [url for url in watched.requests if not url.startswith(allowed)] == []
