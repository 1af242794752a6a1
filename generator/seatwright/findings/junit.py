"""Findings as JUnit XML: every check a test case, so that a CI shows which of them failed.

There is no standard; what is written is the common core that the readers of CI systems share
(testsuites, testsuite, testcase, failure, skipped, system-out), each with at most one of a kind.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from typing import TYPE_CHECKING
from xml.etree import ElementTree as XML

from seatwright.findings.catalogue import STAGES, FindingKind
from seatwright.findings.finding import Finding, Severity
from seatwright.findings.words import printable

if TYPE_CHECKING:
    from seatwright.findings.formats import Lines

SUITE = "seatwright check"


def format_junit(findings: Sequence[Finding], sources: Lines, failing: Collection[Severity]) -> str:
    """The findings as one test suite; those of a ``failing`` severity fail their test case.

    A check that came after an error which stopped the program was not made: it is skipped.
    """
    by_slug: dict[str, list[Finding]] = {}
    for one in findings:
        by_slug.setdefault(one.slug, []).append(one)
    suite = XML.Element("testsuite", {"name": SUITE})
    stopped = False
    for stage in STAGES:
        for kind in stage:
            suite.append(_case(kind, by_slug.get(kind.slug, []), sources, failing, stopped))
        stopped = stopped or _stops(stage, findings)
    counts = {
        "tests": len(suite),
        "failures": len(suite.findall("testcase/failure")),
        "errors": 0,
        "skipped": len(suite.findall("testcase/skipped")),
    }
    root = XML.Element("testsuites", {"name": SUITE})
    for element in (root, suite):
        element.attrib.update({key: str(value) for key, value in counts.items()})
    root.append(suite)
    XML.indent(root)
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{XML.tostring(root, encoding="unicode")}\n'


def _stops(stage: Iterable[FindingKind], findings: Iterable[Finding]) -> bool:
    slugs = {kind.slug for kind in stage}
    return any(one.slug in slugs and one.severity is Severity.ERROR for one in findings)


def _case(
    kind: FindingKind,
    found: Sequence[Finding],
    sources: Lines,
    failing: Collection[Severity],
    stopped: bool,
) -> XML.Element:
    case = XML.Element("testcase", {"classname": "seatwright.check", "name": kind.slug})
    bad = [one for one in found if one.severity in failing]
    if bad:
        more = f" (and {len(bad) - 1} more)" if len(bad) > 1 else ""
        message = printable(f"{bad[0].place}: {bad[0].message}{more}")
        attributes = {"type": bad[0].severity.value, "message": message}
        XML.SubElement(case, "failure", attributes).text = _text(bad, sources)
    elif stopped and not found:
        XML.SubElement(case, "skipped", {"message": "Not looked at: errors came before it."})
    others = [one for one in found if one not in bad]
    if others:
        XML.SubElement(case, "system-out").text = _text(others, sources)
    return case


def _text(findings: Sequence[Finding], sources: Lines) -> str:
    """As in the terminal; nothing in it is forbidden in XML (1.0, section 2.2)."""
    from seatwright.findings.formats import format_text

    return format_text(findings, sources)
