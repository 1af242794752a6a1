"""Words for messages: foreign text made safe to print, lists, and the nearest right word."""

from __future__ import annotations

import difflib
import json
import unicodedata
from collections.abc import Iterable

LONGEST_SHOWN = 60
"""Characters of foreign text that a message repeats at most."""
MOST_SHOWN = 12
"""Names that a hint lists at most."""

BIDI_CONTROLS = frozenset(
    map(chr, (0x61C, 0x200E, 0x200F, *range(0x202A, 0x202F), *range(0x2066, 0x206A)))
)
"""Characters that reorder what stands around them (Unicode TR9, table 'explicit formatting')."""


def is_printable(character: str) -> bool:
    """Whether a terminal may be given it as it is: no control, no bidi control, no line end.

    Unassigned characters count as printable: which are assigned depends on Python's version, and
    what is rendered must not.
    """
    if character in BIDI_CONTROLS or character == "\ufeff":
        return False
    return unicodedata.category(character) not in ("Cc", "Cs", "Zl", "Zp")


def printable(text: str) -> str:
    """The text with every character that is not printable written as ``\\uXXXX``."""
    if text.isascii() and text.isprintable():
        return text
    return "".join(c if is_printable(c) else escape(c) for c in text)


def escape(character: str) -> str:
    """A character by its number, as YAML and JSON would write it in double quotes."""
    code = ord(character)
    if character in "\n\r\t":
        return {"\n": "\\n", "\r": "\\r", "\t": "\\t"}[character]
    return f"\\u{code:04x}" if code <= 0xFFFF else f"\\U{code:08x}"


def printable_json(document: str) -> str:
    """A JSON text with what a terminal must not be given escaped; it says the same (RFC 8259, 7).

    Controls are escaped in it already, but for the delete character; signs that are not printable
    stand in strings only.
    """
    document = document.replace("\x7f", "\\u007f")
    if document.isascii():
        return document
    return "".join(c if c == "\n" or is_printable(c) else json.dumps(c)[1:-1] for c in document)


def shown(text: str) -> str:
    """Foreign text as a message repeats it: in quotes, printable, cut where it is long."""
    if len(text) > LONGEST_SHOWN:
        text = text[: LONGEST_SHOWN - 1] + "…"
    return f'"{printable(text)}"'


def listed(words: Iterable[str], last: str = "or") -> str:
    """``a, b or c``."""
    *front, end = list(words) or ["nothing"]
    return f"{', '.join(front)} {last} {end}" if front else end


def nearest(word: str, right: Iterable[str]) -> str | None:
    """The right word that somebody who wrote ``word`` most likely meant; None if none is near."""
    known = list(right)
    if len(word) > LONGEST_SHOWN:
        return None
    folded = word.strip().lower().replace("_", "-").replace(" ", "-")
    for candidate in known:
        if candidate.lower().replace("_", "-").replace(" ", "-") == folded:
            return candidate
    found = difflib.get_close_matches(word, known, n=1, cutoff=0.6)
    return found[0] if found else None


def hint_for(word: str, right: Iterable[str]) -> str:
    """The nearest right word, or what there is."""
    known = list(right)
    near = nearest(word, known)
    if near:
        return f"Did you mean {shown(near)}?"
    names = [printable(one) for one in known[:MOST_SHOWN]]
    more = f" and {len(known) - MOST_SHOWN} more" if len(known) > MOST_SHOWN else ""
    is_or_are = "are" if len(known) > 1 else "is only"
    return f"There {is_or_are} {', '.join(names)}{more}." if names else ""
