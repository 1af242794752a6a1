"""Read a site: all its files, all that is wrong with them, and the site if nothing is."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from yaml.nodes import MappingNode, Node, ScalarNode

from seatwright.findings.catalogue import BY_SLUG, finding, with_severities
from seatwright.findings.finding import Finding, Place, Severity
from seatwright.findings.words import listed, nearest, shown
from seatwright.site.build import site_of
from seatwright.site.checks import Entry, seat_entries, site_problems
from seatwright.site.compose import Composed, compose_file, shown_path
from seatwright.site.descriptor_files import read_descriptor_files
from seatwright.site.host_templates import read_host_templates
from seatwright.site.kind import BROKEN, Reference, Report
from seatwright.site.lines import EVERYTHING, LINE_TARGETS
from seatwright.site.parts import parts_of
from seatwright.site.places import Pair, Places, Sources, at_node, place_of, placed
from seatwright.site.types import Site
from seatwright.site.vocabulary import PART, SECTIONS, SITE
from seatwright.usb.classes import BY_NAME

MOST_NEAREST = 50
"""For so many unknown names the nearest right one is looked for; each look goes over them all."""

MOST_SHOWN = 12
"""Names that a hint lists at most."""


@dataclass(frozen=True, slots=True)
class Reading:
    """What became of a site's files.

    ``site`` is None where an error keeps it from being put together. ``findings`` are sorted by
    file (in the order read), line and column.
    """

    site: Site | None
    findings: tuple[Finding, ...]
    places: Places
    sources: Sources


def read_site(path: str | os.PathLike[str]) -> Reading:
    """Read the site whose file (or whose folder with a ``site.yml``) is at ``path``.

    Never raises for what is in the files or missing: that is in the findings. Places name files
    as they are seen from the current folder.
    """
    file = site_file(Path(path))
    composed, wrong_files = compose_all(file)
    report = Report()
    values = joined(composed, report)
    sections = sections_of(composed)
    places = Places(Place(composed[0].name, 1, 1), sections)
    findings = [found for one in composed for found in one.findings]
    findings += wrong_files
    findings += [at_node(problem) for problem in report.problems]
    if values and not any(found.slug == "unknown-version" for found in findings):
        entries = list(seat_entries(values["rooms"]))
        asked = answerable(report.references, sections)
        unknown = list(unknown_names(asked, values, entries, places))
        found_wrong = (
            *site_problems(values, entries),
            *read_descriptor_files(values, file.parent),
            *read_host_templates(values, file.parent),
        )
        problems = [placed(problem, places) for problem in found_wrong]
        findings += [*unknown, *not_said_again(problems, unknown)]
    else:
        findings = [found for found in findings if not values or found.slug == "unknown-version"]
    unusable = any(BY_SLUG[found.slug].severity is Severity.ERROR for found in findings)
    site = None if unusable or not values else site_of(values)
    if site:
        findings = with_severities(findings, site.settings.severities)
    return Reading(
        site,
        in_order(findings, composed),
        places,
        Sources({one.name: one.text for one in composed}),
    )


def site_file(path: Path) -> Path:
    """The site's file, where its folder was given too."""
    return path / "site.yml" if os.path.isdir(path) else path


def compose_all(path: Path) -> tuple[list[Composed], list[Finding]]:
    """The site's file and every further file it names, and what is wrong with those names."""
    first = compose_file(path, shown_path(path))
    composed = [first]
    wrong: list[Finding] = []
    for part in parts_of(first.root, path):
        if isinstance(part, Finding):
            wrong.append(part)
        else:
            composed.append(compose_file(part.path, shown_path(part.path), part.asked_for))
    return composed, wrong


def joined(composed: list[Composed], report: Report) -> dict[str, Any]:
    """The values of all files in one; empty where the site's own file cannot be used."""
    first = composed[0].root
    if first is not None and is_something_else(first):
        message = "This is no description of a site: none of its keys is one of a site's."
        hint = 'Is it the right file? "seatwright new" writes a small site to start from.'
        report.problem("wrong-form", first, message, hint)
        return {}
    if first is None or not isinstance(values := SITE.read(first, report), dict):
        return {}
    values.update({key.name: emptied(values[key.name], key.default) for key in SECTIONS})
    firsts = names_of(first)
    for file in composed[1:]:
        more = PART.read(file.root, report) if file.root is not None else BROKEN
        if isinstance(more, dict) and file.root is not None:
            report_twice(firsts, file.root, report)
            join(values, more)
    return values


def is_something_else(root: Node) -> bool:
    """Whether a file has several keys, and none that is a site's."""
    keys = {key.value for key, _ in pairs_of(root)}
    return len(keys) > 1 and keys.isdisjoint(SITE.keys)


def emptied(section: Any, default: Any) -> Any:
    """A section of our own to add to; an empty one in place of a broken one."""
    section = default if section is BROKEN else section
    return dict(section) if isinstance(section, dict) else tuple(section)


def join(values: dict[str, Any], more: Mapping[str, Any]) -> None:
    """Add the sections of a further file."""
    for key in SECTIONS:
        section = more[key.name]
        if section is BROKEN:
            continue
        if isinstance(section, tuple):
            values[key.name] += section
        else:
            for name, value in section.items():
                values[key.name].setdefault(name, value)


def pairs_of(root: Node | None) -> Iterator[Pair]:
    """Keys and values right below a file's root."""
    if isinstance(root, MappingNode):
        yield from (pair for pair in root.value if isinstance(pair[0], ScalarNode))


def names_of(root: Node) -> dict[tuple[str, str], Node]:
    """Where each name of each section stands in one file."""
    return {
        (key.value, name.value): name
        for key, section in pairs_of(root)
        for name, _ in pairs_of(section)
    }


def report_twice(firsts: dict[tuple[str, str], Node], root: Node, report: Report) -> None:
    """Report the names of a further file that another file has described already."""
    sections = {key.name for key in SECTIONS}
    for (section, name), node in names_of(root).items():
        if section not in sections:
            continue
        first = firsts.setdefault((section, name), node)
        if first is not node:
            message = f"{shown(name)} is described in another file too."
            hint = "Take one of the two out, or give it another name."
            report.problem("duplicate-name", node, message, hint, (first, "the other one"))


def sections_of(composed: list[Composed]) -> dict[str, list[Pair]]:
    """Keys and values below the roots of all files, by key: what places are found in."""
    sections: dict[str, list[Pair]] = {}
    for file in composed:
        for key, value in pairs_of(file.root):
            sections.setdefault(key.value, []).append((key, value))
    return sections


def known_names(
    values: Mapping[str, Any], entries: list[Entry]
) -> dict[str, Mapping[str, object] | frozenset[str]]:
    """What a name may refer to, by section."""
    seats = frozenset(name for entry in entries for name in entry.names)
    return {
        **{s: values[s] for s in NAMED},
        "seats": seats,
        "labels": frozenset(labels_of(values["models"])),
        "findings": BY_SLUG,
        LINE_TARGETS: frozenset((*values["peripherals"], *BY_NAME, EVERYTHING)),
    }


def labels_of(models: Mapping[str, Any]) -> Iterator[str]:
    """The labels of all models' sockets."""
    for model in models.values():
        if model is BROKEN or model["sockets"] is BROKEN:
            continue
        for socket in model["sockets"]:
            if socket is not BROKEN and socket["label"] is not BROKEN:
                yield socket["label"]


NAMED = ("models", "policies", "hosts", "rooms", "peripherals", "switches")
"""Sections whose names are used elsewhere."""


WHAT = {
    "models": "model",
    "policies": "policy",
    "hosts": "host",
    "rooms": "room",
    "peripherals": "peripheral",
    "switches": "switch",
    "seats": "seat",
    "labels": "socket",
    "findings": "finding",
    LINE_TARGETS: "USB class or peripheral",
}
"""A thing of each section, in words."""


SECTION_OF = {what: what for what in WHAT} | {
    "seats": "rooms",
    "labels": "models",
    LINE_TARGETS: "peripherals",
}
"""Where things of a kind are described."""


def unknown_names(
    references: Iterable[Reference],
    values: Mapping[str, Any],
    entries: list[Entry],
    places: Places,
) -> Iterator[Finding]:
    """Names that nothing in the site has."""
    known = known_names(values, entries)
    looked = 0
    for reference in references:
        names = known[reference.section]
        if reference.name in names:
            continue
        what = WHAT[reference.section]
        looked += 1
        near = nearest(reference.name, names) if looked <= MOST_NEAREST else None
        if near:
            hint = f"Did you mean {shown(near)}?"
            path = (reference.section, near)
            also = (
                [(places.find(path, key=True), "described here")]
                if near in values.get(reference.section, ())
                else []
            )
        else:
            hint, also = choices_hint(what, sorted(names)), []
        message = f"There is no {what} {shown(reference.name)}."
        yield finding("unknown-name", place_of(reference.node), message, hint, also)


def answerable(references: Iterable[Reference], sections: Iterable[str]) -> Iterator[Reference]:
    """References but those into a section whose key is misspelt: what it describes is not known."""
    hidden = {nearest(key, SITE.keys) for key in sections if key not in SITE.keys}
    return (one for one in references if SECTION_OF.get(one.section) not in hidden)


def not_said_again(problems: Iterable[Finding], unknown: Iterable[Finding]) -> Iterator[Finding]:
    """Problems but those of a label that no model has at all: it is said to be unknown already."""
    said = {found.place for found in unknown}
    return (p for p in problems if p.slug != "label-not-in-model" or p.place not in said)


def choices_hint(what: str, names: list[str]) -> str:
    """What there is to choose from, where that is little enough to list."""
    if not names:
        return f"No {what} is described at all."
    if len(names) > MOST_SHOWN:
        return ""
    return f"There is {listed(map(shown, names), 'and')}."


def in_order(findings: Iterable[Finding], composed: list[Composed]) -> tuple[Finding, ...]:
    """Each finding once, by file in the order read, then by place."""
    number = {file.name: index for index, file in enumerate(composed)}

    def key(found: Finding) -> tuple[object, ...]:
        place = found.place
        return (number.get(place.file, -1), place.line, place.column, found.slug, found.message)

    once = {key(found): found for found in findings}
    return tuple(once[at] for at in sorted(once))
