"""Sites from a piece of description, for tests that need one."""

from __future__ import annotations

from pathlib import Path

from seatwright.site.read import Reading, read_site
from seatwright.site.types import Site

HEAD = "seatwright: 1\nsite: Fennmoor Town Archive\n"


def reading_of(folder: Path, text: str) -> Reading:
    """What is read from a description; ``text`` without the version and the site's name."""
    file = folder / "site.yml"
    file.write_text(HEAD + text, encoding="utf-8")
    return read_site(file)


def site_of(folder: Path, text: str) -> Site:
    """The site of a description without errors."""
    reading = reading_of(folder, text)
    assert reading.site is not None, [str(found) for found in reading.findings]
    return reading.site
