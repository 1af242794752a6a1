"""Findings in every format; as text: the place, the sentence, the source line, the hint.

    inventories/fennmoor/rooms/staff.yml:8:13: error: There is no policy "dsk". [unknown-name]
        policy: dsk
                ^^^
    hint: Did you mean "desk"?

The pieces carry style names of their own; only :func:`print_findings` knows colours.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, Protocol

from seatwright.findings.finding import Finding, Place, Severity
from seatwright.findings.words import listed, printable, printable_json

if TYPE_CHECKING:
    from rich.console import Console

Piece = tuple[str, str]
"""Text and the name of its style (a key of STYLES, or empty)."""

STYLES = {
    "error": "bold red",
    "warning": "bold yellow",
    "note": "bold cyan",
    "place": "bold",
    "slug": "dim",
    "caret": "green",
    "hint": "cyan",
}

WIDEST = 160
"""Columns of a source line that are shown; the rest is cut around the caret."""

INDENT = "    "


class Lines(Protocol):
    """Where source lines come from (``site.places.Sources``)."""

    def line(self, file: str, number: int) -> str:
        """A line counted from 1; empty where there is none."""


def pieces(finding: Finding, sources: Lines) -> Iterator[Piece]:
    """One finding, with a line end after every line."""
    yield printable(str(finding.place)), "place"
    yield ": ", ""
    yield finding.severity.value, finding.severity.value
    yield f": {printable(finding.message)} ", ""
    yield f"[{finding.slug}]\n", "slug"
    yield from source_pieces(finding.place, sources)
    for place, words in finding.also:
        yield f"  {printable(str(place))}: {printable(words)}\n", ""
    if finding.hint:
        yield "hint: ", "hint"
        yield f"{printable(finding.hint)}\n", ""


def source_pieces(place: Place, sources: Lines) -> Iterator[Piece]:
    """The source line and the caret below it; nothing where the line is empty."""
    line = sources.line(place.file, place.line)
    if not line.strip():
        return
    at = place.column - 1
    before, marked, after = line[:at], line[at : at + place.length], line[at + place.length :]
    before, marked, after = printable(before), printable(marked), printable(after)
    before, marked, after = cut(before, marked, after)
    yield f"{INDENT}{before}{marked}{after}\n", ""
    yield f"{INDENT}{' ' * width(before)}{'^' * max(1, width(marked))}\n", "caret"


def cut(before: str, marked: str, after: str) -> tuple[str, str, str]:
    """The pieces of a line with what is far from the mark taken off."""
    most = WIDEST // 4
    if len(marked) > 2 * most:
        marked, after = marked[: 2 * most - 1] + "…", ""
    if len(before) + len(marked) + len(after) <= WIDEST:
        return before, marked, after
    if len(before) > most:
        before = "…" + before[len(before) - most + 1 :]
    left = WIDEST - len(before) - len(marked)
    return before, marked, after if len(after) <= left else after[: left - 1] + "…"


def width(text: str) -> int:
    """Columns that a terminal gives to the text."""
    if text.isascii():
        return len(text)
    from rich.cells import cell_len

    return cell_len(text)


def format_text(findings: Iterable[Finding], sources: Lines) -> str:
    """The findings without colour, an empty line between them."""
    return "\n".join("".join(text for text, _ in pieces(one, sources)) for one in findings)


@dataclass(frozen=True, slots=True)
class FindingsDocument:
    """Findings as JSON has them; ``format`` grows when an old reader would misread it."""

    format: Literal[1]
    findings: tuple[Finding, ...]


def format_json(findings: Iterable[Finding]) -> str:
    """The findings as one JSON document, ending in a line end."""
    import msgspec

    document = msgspec.json.encode(FindingsDocument(1, tuple(findings)))
    return printable_json(msgspec.json.format(document, indent=2).decode()) + "\n"


FORMATS = ("text", "json", "sarif", "junit", "markdown")
"""What :func:`write` can write."""

SERIOUS = frozenset((Severity.ERROR, Severity.WARNING))


def write(
    form: str,
    findings: Sequence[Finding],
    sources: Lines,
    failing: Collection[Severity] = SERIOUS,
) -> str:
    """The findings in one of FORMATS, ending in a line end (text without findings: empty).

    ``failing`` are the severities that fail a test case of JUnit.  ValueError for other formats.
    """
    match form:
        case "text":
            return format_text(findings, sources)
        case "json":
            return format_json(findings)
        case "sarif":
            from seatwright.findings.sarif import format_sarif

            return format_sarif(findings, sources)
        case "junit":
            from seatwright.findings.junit import format_junit

            return format_junit(findings, sources, failing)
        case "markdown":
            from seatwright.findings.markdown import format_markdown

            return format_markdown(findings)
    raise ValueError(f"findings have no format {form!r}")


def summary(findings: Sequence[Finding]) -> str:
    """``2 errors and 1 note``, or ``no findings``."""
    counts = Counter(one.severity for one in findings)
    words = [
        f"{counts[severity]} {severity.value}{'' if counts[severity] == 1 else 's'}"
        for severity in Severity
        if counts[severity]
    ]
    return listed(words, "and") if words else "no findings"


def print_findings(findings: Sequence[Finding], sources: Lines, console: Console) -> None:
    """The findings on a console, in colour where that has some; the summary at the end."""
    from rich.text import Text

    text = Text()
    for number, one in enumerate(findings):
        text.append("\n" if number else "")
        for piece, style in pieces(one, sources):
            text.append(piece, STYLES.get(style, ""))
    text.append(f"\n{summary(findings)}" if findings else summary(findings))
    console.print(text, soft_wrap=True, highlight=False)
