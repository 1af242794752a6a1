"""What the browser tests share: where things are, and a book made by the verb."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from playwright.sync_api import Page

from seatwright.commands.main import main

ROOT = Path(__file__).parents[2]
DEMO = ROOT / "inventories" / "fennmoor"
CHROMIUM = "/usr/bin/chromium"
FLAGS = (
    "--no-sandbox",  # tests run as root, in CI too
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)

Open = Callable[..., Page]
"""Opens a book at a place; keywords are those of a browser context."""


def make_book(site: Path, output: Path, *words: str) -> Path:
    """The book of a site, as the verb makes it."""
    assert main(["book", str(site), "--output", str(output), *words]) == 0
    return output
