"""Findings as SARIF 2.1.0, for the places that show findings beside the changed lines.

Source: OASIS Standard, "Static Analysis Results Interchange Format (SARIF) Version 2.1.0"
(27 March 2020); the sections are named where they decide something.
"""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

from seatwright import __version__
from seatwright.findings.catalogue import BY_SLUG
from seatwright.findings.finding import Finding, Place
from seatwright.findings.words import printable

if TYPE_CHECKING:
    from seatwright.findings.formats import Lines

SCHEMA = (
    "https://docs.oasis-open.org/sarif/sarif/v2.1.0/errata01/os/schemas/sarif-schema-2.1.0.json"
)


def format_sarif(findings: Sequence[Finding], sources: Lines) -> str:
    """The findings as one SARIF log with one run, ending in a line end."""
    slugs = sorted({one.slug for one in findings})
    run = {
        "tool": {
            "driver": {
                "name": "seatwright",
                "version": __version__,
                "rules": [_rule(slug) for slug in slugs],
            }
        },
        # 3.14.17: what columns count; the default, UTF-16 code units, is not what we count.
        "columnKind": "unicodeCodePoints",
        "results": [_result(one, slugs.index(one.slug), sources) for one in findings],
    }
    log = {"$schema": SCHEMA, "version": "2.1.0", "runs": [run]}
    return json.dumps(log, indent=2, ensure_ascii=False) + "\n"


def _rule(slug: str) -> dict[str, Any]:
    """A reportingDescriptor (3.49) with the finding's page as its help."""
    kind = BY_SLUG[slug]
    rule: dict[str, Any] = {
        "id": slug,
        "shortDescription": {"text": f"{_text(kind.title)}."},
        "defaultConfiguration": {"level": kind.severity.value},
    }
    page = files("seatwright.findings") / "pages" / f"{slug}.md"
    if page.is_file():
        content = page.read_text(encoding="utf-8")
        rule["help"] = {"text": f"{_text(kind.title)}.", "markdown": content}
    return rule


def _result(finding: Finding, rule: int, sources: Lines) -> dict[str, Any]:
    """A result (3.27); further places are related locations (3.27.22), the rest properties."""
    result: dict[str, Any] = {
        "ruleId": finding.slug,
        "ruleIndex": rule,
        "level": finding.severity.value,
        "message": {"text": _text(" ".join(filter(None, (finding.message, finding.hint))))},
        "locations": [{"physicalLocation": _location(finding.place, sources)}],
    }
    if finding.also:
        result["relatedLocations"] = [
            {
                "id": number,
                "message": {"text": _text(words)},
                "physicalLocation": _location(place, sources),
            }
            for number, (place, words) in enumerate(finding.also, 1)
        ]
    if finding.witness is not None:
        result["properties"] = {"witness": dict(finding.witness)}
    return result


def _location(place: Place, sources: Lines) -> dict[str, Any]:
    """A physicalLocation (3.29); the end column is the one behind the last (3.30.8)."""
    region: dict[str, Any] = {
        "startLine": place.line,
        "startColumn": place.column,
        "endColumn": place.column + place.length,
    }
    line = sources.line(place.file, place.line)
    if line.strip():
        # 3.30.13: the text of the region itself.
        marked = line[place.column - 1 : place.column - 1 + place.length]
        region["snippet"] = {"text": printable(marked)}
    return {"artifactLocation": {"uri": _uri(place.file)}, "region": region}


def _uri(file: str) -> str:
    """A URI reference (3.4.3): relative to the folder the program ran in, or absolute."""
    path = Path(file)
    if path.is_absolute():
        return path.as_uri()
    # A colon in the first part would make it a scheme (RFC 3986, section 4.2).
    return quote(path.as_posix(), safe="/", errors="surrogateescape")


def _text(text: str) -> str:
    """A plain text message: foreign words make no links (3.11.6), no placeholders (3.11.5)."""
    safe = re.sub(r"([\[\]\\])", r"\\\1", printable(text))
    return re.sub(r"\{(\d+)\}", r"{{\1}}", safe)
