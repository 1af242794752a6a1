"""Findings as Markdown, for a pull request: short, and folded where there are many.

Source: CommonMark 0.31.2 (escapes in 2.4, code spans in 6.1, HTML in 6.6); the widely used
extensions that make links of bare addresses, of ``@names`` and of ``#numbers`` are kept from
doing so by an empty HTML comment behind the sign.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence

from seatwright.findings.finding import Finding, Severity
from seatwright.findings.words import printable

FOLDED_FROM = 10
"""So many findings of one severity, and more, are folded away."""

LONGEST = 50_000
"""Characters of a whole text: comments in pull requests end at about 65,000."""

TITLES = {Severity.ERROR: "errors", Severity.WARNING: "warnings", Severity.NOTE: "notes"}

_MARKUP = re.compile(r"([\\`*_\[\]|~$])")
"""What means something inside a line; the rest does so at its beginning only, which is ours."""

_AUTOMATIC = re.compile(r"[@#]|:(?=//)|(?<=www)(?=\.)", re.IGNORECASE)


def format_markdown(findings: Sequence[Finding]) -> str:
    """The findings, errors first; the last line says how many were left out, if any were."""
    from seatwright.findings.formats import summary

    lines = [f"**seatwright check:** {summary(findings)}", ""]
    left = LONGEST
    for severity in Severity:
        found = [one for one in findings if one.severity is severity]
        if found:
            part = list(_part(severity, found, left))
            left -= sum(map(len, part))
            lines += part
    return "\n".join(lines).rstrip("\n") + "\n"


def _part(severity: Severity, findings: Sequence[Finding], left: int) -> Iterator[str]:
    """All of one severity, in the order of the files."""
    folded = len(findings) >= FOLDED_FROM
    if folded:
        yield f"<details><summary>{len(findings)} {TITLES[severity]}</summary>"
        yield ""
    for number, finding in enumerate(findings):
        entry = list(_entry(finding))
        left -= sum(map(len, entry))
        if left < 0:
            yield f"- … and {len(findings) - number} more: run `seatwright check`"
            break
        yield from entry
    yield ""
    if folded:
        yield "</details>"
        yield ""


def _entry(finding: Finding) -> Iterator[str]:
    hint = f" *{markdown_text(finding.hint)}*" if finding.hint else ""
    yield (
        f"- **{finding.severity.value}** {code(str(finding.place))} "
        f"{markdown_text(finding.message)}{hint} ({code(finding.slug)})"
    )
    for place, words in finding.also:
        yield f"  - {code(str(place))} {markdown_text(words)}"


def markdown_text(text: str) -> str:
    """Foreign words as they are: no markup, no link, nobody called by name."""
    escaped = printable(text).replace("&", "&amp;").replace("<", "&lt;")
    escaped = _MARKUP.sub(r"\\\1", escaped)
    return _AUTOMATIC.sub(lambda found: f"{found[0]}<!-- -->", escaped)


def code(text: str) -> str:
    """A code span around any text: its fence is longer than every run of backticks in it."""
    safe = printable(text)
    fence = "`" * (max((len(run) for run in re.findall("`+", safe)), default=0) + 1)
    pad = " " if safe.startswith("`") or safe.endswith("`") else ""
    return f"{fence}{pad}{safe}{pad}{fence}"
