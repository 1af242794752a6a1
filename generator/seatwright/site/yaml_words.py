"""What libyaml has to say, in words that help the person who typed it.

The left column are the messages of libyaml 0.2 (and of PyYAML's own parser, which differ a
little); what is not in the table is passed on as it is.
"""

from __future__ import annotations

import yaml

from seatwright.findings.catalogue import finding
from seatwright.findings.finding import Finding, Place

QUOTES = 'Put the value in quotes: "…".'

WORDS: tuple[tuple[str, str, str], ...] = (
    (
        "mapping values are not allowed",
        "A colon stands here where no key can be.",
        "The line before may be unfinished, this one indented too far, or the value needs quotes "
        "because it holds a colon and a blank.",
    ),
    (
        "could not find expected ':'",
        "A line before this place has no colon, or its quotes or brackets are not closed.",
        "Write key: value, with a blank after the colon.",
    ),
    ("expected ',' or ']'", "A list is not closed before this place.", 'Add "]" or ",".'),
    ("expected ',' or '}'", "A group in braces is not closed before this.", 'Add "}" or ",".'),
    (
        "expected key",
        "This line is indented differently from the lines it belongs to.",
        "Indent all keys of one group alike, with blanks.",
    ),
    (
        "expected <block end>",
        "This line is indented differently from the lines it belongs to.",
        "Indent all keys of one group alike, with blanks.",
    ),
    (
        "expected '-' indicator",
        "This line stands among list entries and is none.",
        'Begin it with "- ", or indent it as far as the list\'s key.',
    ),
    ("unexpected end of stream", "Quotes are opened and never closed.", "Close them."),
    ("unknown escape character", 'Behind "\\" stands a letter that means nothing.',
     "In double quotes write \\\\ for one backslash, or use single quotes."),
    ("invalid Unicode character escape", "This number stands for no character.", ""),
    ("cannot start any token", "A value cannot begin with this sign.", QUOTES),
    ("while scanning an alias", "A star stands here without a name.", QUOTES),
    ("undefined alias", "This alias has no anchor before it.", f"If no alias is meant: {QUOTES}"),
    ("second occurrence", "This anchor stands twice.", "Give each anchor a name of its own."),
    ("undefined tag handle", "Tags are not read here.", f"If none is meant: {QUOTES}"),
    ("block sequence entries are not allowed", "A list cannot begin here.",
     "Begin it on the next line, or write it in brackets: [a, b]."),
    ("expected node content", "A value is missing here.", "Take the extra sign out."),
)  # fmt: skip


def in_our_words(error: yaml.YAMLError, text: str, name: str) -> Finding:
    """A finding for what PyYAML raised; the place is the one it names."""
    if not isinstance(error, yaml.MarkedYAMLError) or error.problem_mark is None:
        message = f"This is not YAML: {one_line(str(error))}."
        return finding("not-yaml", Place(name, 1, 1), message)
    place = clamped(error.problem_mark, text, name)
    said = f"{error.context or ''} {error.problem or ''}"
    line = text.split("\n")[place.line - 1]
    if "maximum nesting depth" in said:
        message = "Brackets or indentation go deeper here than in any description."
        return finding("nested-too-deep", place, message, "Is this the right file?")
    if "single document" in said:
        message = "A second document begins here."
        hint = 'Take the line "---" away, or put each document into a file of its own.'
        return finding("several-documents", place, message, hint)
    if "\t" in line[: len(line) - len(line.lstrip())]:
        hint = "Set the editor to write blanks when the tab key is pressed."
        return finding("tab", place, "This line is indented with a tab.", hint)
    return finding("not-yaml", place, *sentence(said), also=begun(error, place, text, name))


def sentence(said: str) -> tuple[str, str]:
    """Message and hint for what the parser said."""
    for part, message, hint in WORDS:
        if part in said:
            return message, hint
    return f"This is not YAML: {one_line(said)}.", ""


def begun(
    error: yaml.MarkedYAMLError, place: Place, text: str, name: str
) -> list[tuple[Place, str]]:
    """Where the list, group or quotes began, if that is another line."""
    if error.context_mark is None or error.context_mark.line + 1 == place.line:
        return []
    return [(clamped(error.context_mark, text, name), "what is not finished begins here")]


def clamped(mark: yaml.Mark, text: str, name: str) -> Place:
    """The mark's place; the end of the last line that has something where it lies behind it."""
    lines = text.rstrip().split("\n")
    if mark.line < len(lines):
        return Place(name, mark.line + 1, mark.column + 1)
    return Place(name, len(lines), len(lines[-1]) + 1)


def one_line(text: str) -> str:
    """A parser's message without line ends and without its own place."""
    return " ".join(text.split()).rstrip(".")
