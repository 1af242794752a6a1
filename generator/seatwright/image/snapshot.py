"""The recorded list of packages: which version of each an image has, and when that was recorded.

One file for each suite and architecture, and for each set of further packages that models have,
committed beside the site. The first build records it, every later one is held to it; the time in
its head is the only one that goes into an image.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from seatwright.image.errors import ImageError

HEAD = re.compile(r"# Packages of (\S+), recorded (\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ)\.")
LINE = re.compile(r"([a-z0-9][a-z0-9+.-]*) (\S+)")
PREFERENCES = "etc/apt/preferences.d/seatwright-snapshot"
"""Where a root has the preferences of a list, for as long as its packages are installed."""

STAMP = "%Y-%m-%dT%H:%M:%SZ"


@dataclass(frozen=True, slots=True)
class Snapshot:
    """Versions by package, and the time (UTC) at which they were recorded."""

    name: str
    recorded: datetime
    versions: dict[str, str]

    @property
    def epoch(self) -> int:
        """The time in seconds, as SOURCE_DATE_EPOCH has it."""
        return int(self.recorded.timestamp())

    def text(self) -> str:
        """As it is written."""
        lines = [f"{name} {version}" for name, version in sorted(self.versions.items())]
        head = f"# Packages of {self.name}, recorded {self.recorded.strftime(STAMP)}."
        return "\n".join([head, *lines, ""])

    def preferences(self) -> str:
        """apt's preferences that let no other version in (apt_preferences(5))."""
        return "\n".join(
            f"Package: {name}\nPin: version {version}\nPin-Priority: 1001\n"
            for name, version in sorted(self.versions.items())
        )


def snapshot_file(site: Path, name: str) -> Path:
    """Where a site keeps the list for a suite and architecture."""
    return site / "images" / f"{name}.packages"


def read_snapshot(path: Path, name: str) -> Snapshot | None:
    """The recorded list; None where there is none yet. Raises :class:`ImageError`."""
    try:
        lines = path.read_text(encoding="utf-8").splitlines()
    except FileNotFoundError:
        return None
    except (OSError, UnicodeDecodeError) as error:
        raise ImageError(f"{path}: cannot be read: {error}") from None
    head = HEAD.fullmatch(lines[0] if lines else "")
    if head is None or head[1] != name:
        raise ImageError(f"{path}:1:1: this is not a list of the packages of {name}", RENEW)
    versions: dict[str, str] = {}
    for number, line in enumerate(lines[1:], start=2):
        found = LINE.fullmatch(line)
        if found is None or found[1] in versions:
            raise ImageError(f"{path}:{number}:1: not a package and its version, once", RENEW)
        versions[found[1]] = found[2]
    recorded = datetime.strptime(head[2], STAMP).replace(tzinfo=UTC)
    return Snapshot(name, recorded, versions)


RENEW = "Remove the file, or build with --renew, to record a new list."


def held_against(found: dict[str, str], recorded: Snapshot) -> list[str]:
    """What a root has that the list does not say, a line each, sorted; empty where all is alike."""
    names = sorted({*found, *recorded.versions})
    return [
        f"{name}: {recorded.versions.get(name, 'not')} recorded, {found.get(name, 'not')} there"
        for name in names
        if found.get(name) != recorded.versions.get(name)
    ]


def parted(rows: Iterable[str]) -> dict[str, list[str]]:
    """Versions by package, of lines with a name and a version each."""
    found: dict[str, list[str]] = {}
    for row in rows:
        name, _, version = row.partition(" ")
        found.setdefault(name, []).append(version)
    return found
