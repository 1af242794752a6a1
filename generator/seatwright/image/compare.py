"""How a running seat differs from its image: packages, and every file that the image gives it."""

from __future__ import annotations

import json
import subprocess
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from seatwright.image.enrol import TIMEOUT, Way
from seatwright.image.errors import ImageError

LIST = "dpkg-query -W -f '${db:Status-Status} ${Package} ${Version}\\n'"
DIGESTS = "sudo xargs -d '\\n' sha256sum -- 2>/dev/null || true"


@dataclass(frozen=True, slots=True)
class Difference:
    """One thing that is not as in the image; ``image`` and ``seat`` say what each has."""

    kind: str
    name: str
    image: str
    seat: str


@dataclass(frozen=True, slots=True)
class Inside:
    """What an image gives a seat: versions by package, digests by path."""

    packages: Mapping[str, str]
    files: Mapping[str, str]


def inside(place: Path, seat: str) -> Inside:
    """What the image in a directory gives a seat. Raises :class:`ImageError`."""
    try:
        described = json.loads((place / "manifest.json").read_text())
        table = json.loads((place / "table.json").read_text())
    except (OSError, ValueError):
        raise ImageError(f"{place} holds no image.", "seatwright image makes one.") from None
    rows = [row for row in table["seats"] if row["name"] == seat]
    if not rows:
        raise ImageError(f"The image in {place} has no seat {seat}.", "Build it again.")
    own = {one["path"]: one["sha256"] for one in rows[0]["files"] if _listed(one["path"])}
    return Inside(described["packages"], {**described["installed"], **own})


def _listed(path: str) -> bool:
    """The records of lists change with every run and are no difference."""
    return not path.startswith("/var/lib/seatwright/")


def compare(wanted: Inside, way: Way, known_hosts: Path) -> list[Difference]:
    """Ask a running seat; what differs, packages first. Raises :class:`ImageError`."""
    listed = _ask(way, known_hosts, LIST)
    rows = [line.split(" ") for line in listed.splitlines()]
    packages = {row[1]: row[2] for row in rows if row[0] == "installed"}
    paths = "\n".join(sorted(wanted.files))
    digests = dict(
        line.split("  ", 1)[::-1] for line in _ask(way, known_hosts, DIGESTS, paths).splitlines()
    )
    return [
        *differing("package", wanted.packages, packages, every=True),
        *differing("file", wanted.files, digests, every=False),
    ]


def differing(
    kind: str, image: Mapping[str, str], seat: Mapping[str, str], *, every: bool
) -> list[Difference]:
    """What is not alike; with ``every``, what only the seat has counts, too."""
    names = {*image, *seat} if every else {*image}
    return [
        Difference(kind, name, image.get(name, "none"), seat.get(name, "none"))
        for name in sorted(names)
        if image.get(name) != seat.get(name)
    ]


def _ask(way: Way, known_hosts: Path, command: str, given: str = "") -> str:
    argv = [
        "ssh", "-o", "BatchMode=yes", "-o", "StrictHostKeyChecking=yes", "-o", "LogLevel=ERROR",
        "-o", f'GlobalKnownHostsFile="{known_hosts}"', "-o", f"ConnectTimeout={TIMEOUT}",
        *way.words, "--", command,
    ]  # fmt: skip
    done = subprocess.run(argv, input=given, capture_output=True, text=True)
    if done.returncode != 0:
        raise ImageError(f"{way.address} cannot be asked: {done.stderr.strip()}")
    return done.stdout
