"""A served book in the browser: it follows the file, shows its errors, and asks nobody else."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from book_pages import ROOT, Open

from render_sites import TINY, make_repository

PATIENCE = 60_000
"""Milliseconds for a page to follow its site: two looks and a reading on a busy machine."""


@pytest.fixture
def served(tmp_path: Path) -> Iterator[tuple[Path, str]]:
    """The verb with --serve in a process of its own: the site's file, and the address it says."""
    site = make_repository(tmp_path)
    process = subprocess.Popen(
        [sys.executable, "-m", "seatwright", "book", site.parent, "--serve"],
        env={**os.environ, "PYTHONPATH": str(ROOT / "generator")},
        stderr=subprocess.PIPE,
        text=True,
        # A shell that started the tests in the background may have it ignored.
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    )
    assert process.stderr is not None
    said = ""
    while not (found := re.search(r"http://127\.0\.0\.1:[0-9]+/", said)):
        line = process.stderr.readline()
        assert line, f"it ended: {said}"
        said += line
    yield site, found[0]
    process.send_signal(signal.SIGINT)
    process.communicate(timeout=60)
    assert process.returncode == 0


def test_the_open_page_follows_the_file(served: tuple[Path, str], open_book: Open) -> None:
    site, address = served
    page = open_book(address, "room-hall")
    assert page.locator("#room-title-hall").inner_text() == "The Hall"
    site.write_text(TINY.replace("The Hall", "The Great Hall"), encoding="utf-8")
    title = page.locator("#room-title-hall", has_text="The Great Hall")
    title.wait_for(timeout=PATIENCE)
    site.write_text(
        TINY.replace("policy: readers, model", "policy: reders, model"), encoding="utf-8"
    )
    page.get_by_text('There is no policy "reders".').wait_for(timeout=PATIENCE)
    assert "nothing else to show until they are mended" in page.locator("main").inner_text()
    site.write_text(TINY, encoding="utf-8")
    page.locator("#room-title-hall", has_text="The Hall").wait_for(timeout=PATIENCE)
