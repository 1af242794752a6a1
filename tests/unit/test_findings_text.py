"""Findings as a person sees them: source line, caret, colours, no control characters."""

from __future__ import annotations

import io
import json
from typing import Literal

import jsonschema
import pytest
from rich.console import Console

from seatwright.commands.schema import findings_schema
from seatwright.findings import Finding, Place, Severity
from seatwright.findings.formats import WIDEST, format_json, format_text, print_findings, summary
from seatwright.findings.words import hint_for, listed, nearest, printable, shown
from seatwright.site.places import Sources


def one(column: int, length: int, message: str = "This is wrong.") -> Finding:
    """A finding in the only line of site.yml."""
    return Finding(
        "bad-value", Severity.ERROR, Place("site.yml", 1, column, length), message, "Do."
    )


def caret(line: str, column: int, length: int) -> tuple[str, str]:
    """Source line and caret line as they are printed."""
    lines = format_text([one(column, length)], Sources({"site.yml": line})).split("\n")
    return lines[1], lines[2]


def test_a_finding_as_text() -> None:
    finding = Finding(
        "unknown-name",
        Severity.WARNING,
        Place("rooms/staff.yml", 2, 11, 3),
        'There is no policy "dsk".',
        'Did you mean "desk"?',
        also=((Place("site.yml", 7, 3), "described here"),),
    )
    sources = Sources({"rooms/staff.yml": "rooms:\n  policy: dsk\n"})
    assert format_text([finding], sources) == (
        'rooms/staff.yml:2:11: warning: There is no policy "dsk". [unknown-name]\n'
        "      policy: dsk\n"
        "              ^^^\n"
        "  site.yml:7:3: described here\n"
        'hint: Did you mean "desk"?\n'
    )


@pytest.mark.parametrize(
    ("before", "columns"),
    [
        ("title: ", 7),
        ("日本: ", 6),
        ("é: ", 3),
        ("e\u0301: ", 3),
        ("😀: ", 4),
        ("한국어: ", 8),
        ("\t", 2),
        ("a\u202eb: ", 10),
        ("", 0),
    ],
)
def test_the_caret_is_under_its_column(before: str, columns: int) -> None:
    source, mark = caret(f"{before}wrong", len(before) + 1, 5)
    assert mark == " " * (4 + columns) + "^^^^^"
    assert source.endswith("wrong")


def test_the_caret_is_as_wide_as_wide_characters() -> None:
    assert caret("x: 日本", 4, 2)[1] == "       ^^^^"


def test_a_place_behind_the_line_still_has_a_caret() -> None:
    assert caret("abc", 4, 1)[1] == "       ^"


def test_no_line_no_caret() -> None:
    assert format_text([one(1, 1)], Sources({})) == (
        "site.yml:1:1: error: This is wrong. [bad-value]\nhint: Do.\n"
    )


@pytest.mark.parametrize("column", [1, 500, 5000, 9990])
def test_long_lines_are_cut_around_the_caret(column: int) -> None:
    line = "a" * (column - 1) + "WRONG" + "b" * (10_000 - column)
    source, mark = caret(line, column, 5)
    assert len(source) <= WIDEST + 4
    assert source[mark.index("^") : mark.index("^") + 5] == "WRONG"


def test_a_long_mark_is_cut_too() -> None:
    source, mark = caret("a" * 10_000, 1, 10_000)
    assert max(len(source), len(mark)) <= WIDEST


def test_nothing_that_plays_with_a_terminal_comes_through() -> None:
    text = format_text(
        [one(1, 1, "\x1b[2J\u202e\x07")], Sources({"site.yml": "\x1b]0;x\x07\u2066\x00"})
    )
    assert not set("\x1b\x07\u202e\u2066\x00") & set(text)


def console(terminal: bool) -> tuple[Console, io.StringIO]:
    """A console that writes into a text."""
    file = io.StringIO()
    colours: Literal["standard"] | None = "standard" if terminal else None
    return Console(file=file, force_terminal=terminal, color_system=colours, width=40), file


def test_colours_on_a_terminal_only_and_never_wrapped() -> None:
    sources = Sources({"site.yml": "x" * 100})
    coloured, plain = console(True), console(False)
    for out, _ in (coloured, plain):
        print_findings([one(1, 1)], sources, out)
    assert "\x1b[" in coloured[1].getvalue()
    assert plain[1].getvalue() == format_text([one(1, 1)], sources) + "\n1 error\n"


def test_markup_of_the_terminal_library_means_nothing() -> None:
    out, file = console(False)
    print_findings([one(1, 1, "[red]x[/red] :smile:")], Sources({}), out)
    assert "[red]x[/red] :smile:" in file.getvalue()


def test_summary() -> None:
    note = Finding("room-without-seats", Severity.NOTE, Place("a", 1, 1), "x")
    assert summary([]) == "no findings"
    assert summary([one(1, 1), note, one(1, 1)]) == "2 errors and 1 note"


def test_json_keeps_to_its_schema() -> None:
    finding = Finding(
        "bad-value", Severity.ERROR, Place("a", 1, 2, 3), "x", also=((Place("b", 4, 5), "y"),),
        witness={"vendor": 4617},
    )  # fmt: skip
    document = json.loads(format_json([finding]))
    jsonschema.Draft202012Validator(findings_schema()).validate(document)
    assert document["findings"][0]["place"] == {"file": "a", "line": 1, "column": 2, "length": 3}


def test_words() -> None:
    assert listed(["a", "b", "c"]) == "a, b or c"
    assert listed([]) == "nothing"
    assert nearest("polcy", ["policy", "ports"]) == "policy"
    assert nearest("Mass Storage", ["mass-storage"]) == "mass-storage"
    assert nearest("zzz", ["policy"]) is None
    assert nearest("x" * 10_000, ["policy"]) is None


def test_a_hint_has_the_nearest_word_or_what_there_is() -> None:
    assert hint_for("seat4", {"seat-4": 1, "seat-1": 2}) == 'Did you mean "seat-4"?'
    assert hint_for("zzz", ["one"]) == "There is only one."
    assert hint_for("zzz", iter(["one", "t\x1bwo"])) == "There are one, t\\u001bwo."
    many = [f"seat-{number}" for number in range(15)]
    assert hint_for("zzz", many).endswith("seat-11 and 3 more.")
    assert hint_for("zzz", []) == ""
    assert shown("x" * 100) == '"' + "x" * 59 + '…"'
    assert printable("a\u200bé😀\n") == "a\u200bé😀\\n"
