"""Which further files a site's file names (``files:``), and what is wrong with those names."""

from __future__ import annotations

import glob
import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from yaml.nodes import MappingNode, Node, ScalarNode, SequenceNode

from seatwright.findings.catalogue import finding
from seatwright.findings.finding import Finding, Place
from seatwright.findings.words import shown
from seatwright.site.places import place_of

MOST_FILES = 5000

MADE_HERE = ("allocations.yml", "rendered")
"""What lies beside a site's file and is the program's own."""


@dataclass(frozen=True, slots=True)
class Part:
    """A further file, and where the site names it."""

    path: Path
    asked_for: Place


def parts_of(root: Node | None, site_file: Path) -> Iterator[Part | Finding]:
    """The further files in the order of the patterns, each pattern's files by name."""
    folder = site_file.parent
    taken: set[Path] = set()
    for node in patterns(root):
        place = place_of(node)
        wrong = outside(node.value, place)
        if wrong:
            yield wrong
            continue
        names = sorted(glob.glob(node.value, root_dir=folder))
        if not names:
            hint = "Patterns begin at the folder of the site's file."
            yield finding("no-such-file", place, f"No file fits {shown(node.value)}.", hint)
        for name in names:
            path = folder / name
            if path in taken:
                continue
            taken.add(path)
            yield unfit(name, path, site_file, place) or Part(path, place)
            if len(taken) > MOST_FILES:
                message = f"More than {MOST_FILES} files fit the patterns."
                yield finding("not-a-part", place, message, "Is the site's file in its folder?")
                return


def patterns(root: Node | None) -> Iterator[ScalarNode]:
    """The entries of ``files:``; what is wrong with their form is reported with the other keys."""
    if not isinstance(root, MappingNode):
        return
    for key, value in root.value:
        if key.value == "files" and isinstance(value, SequenceNode):
            for node in value.value:
                if isinstance(node, ScalarNode) and node.value and "\0" not in node.value:
                    yield node


def outside(pattern: str, place: Place) -> Finding | None:
    """A pattern that leads out of the folder by its words."""
    if not pattern.startswith(("/", "~")) and ".." not in pattern.split("/"):
        return None
    message = f"{shown(pattern)} leads out of the site's folder."
    hint = "Further files lie below the folder of the site's file; move them there."
    return finding("outside-folder", place, message, hint)


def unfit(name: str, path: Path, site_file: Path, place: Place) -> Finding | None:
    """A file that no person's description can be: the site's own, one of ours, one elsewhere."""
    folder = os.path.realpath(site_file.parent)
    real = os.path.realpath(path)
    if real == os.path.realpath(site_file):
        message = "The site's file names itself as a further file."
        return finding("not-a-part", place, message, 'Narrow the pattern, as in "rooms/*.yml".')
    if os.path.commonpath((folder, real)) != folder:
        message = f"{shown(name)} is a link that leads out of the site's folder."
        return finding("outside-folder", place, message, "Put the file itself there.")
    if name.split("/")[0] in MADE_HERE:
        message = f"{shown(name)} is written by seatwright and no part of the description."
        return finding("not-a-part", place, message, 'Narrow the pattern, as in "rooms/*.yml".')
    return None
