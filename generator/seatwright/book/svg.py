"""SVG elements with everything quoted."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from collections.abc import Iterable

from seatwright.findings.words import printable
from seatwright.render.quote import Quoted, html

LETTER = 0.56
"""Width of a letter as a share of the font's size, on the wide side of what browsers draw."""

STANDALONE = """\
svg { font-family: system-ui, "DejaVu Sans", sans-serif; background: #fff; }
text { fill: #1d2624; } .dim { fill: #51605c; } .strong { font-weight: 600; }
.box { fill: #fff; stroke: #1d2624; stroke-width: 1.5; }
.part { fill: #e4e9e6; stroke: #1d2624; stroke-width: 1.5; }
.hub { fill: #fff; stroke: #1d2624; stroke-width: 1.5; stroke-dasharray: 5 3; }
.wire { fill: none; stroke: #1d2624; stroke-width: 1.5; }
.same { fill: none; stroke: #51605c; stroke-width: 1.5; stroke-dasharray: 2 4; }
.ink { fill: #1d2624; } .paper { fill: #fff; } .bar { fill: #51605c; }
.rest { fill: #fff; stroke: #1d2624; stroke-width: 1; }
.head { fill: #1d2624; }
"""
"""The page's classes for a picture that stands alone: ink on white."""


def element(tag: str, *children: Quoted, **attributes: str | int | float) -> Quoted:
    """An element; an attribute's ``_`` is a hyphen, ``css`` is its class."""
    written = "".join(
        [
            f' {"class" if name == "css" else name.replace("_", "-")}="{_value(value)}"'
            for name, value in attributes.items()
            if value != ""
        ]
    )
    return Quoted(f"<{tag}{written}>{''.join(children)}</{tag}>")


def _value(value: str | int | float) -> str:
    if isinstance(value, str):
        return html(value)
    return f"{value:g}"


def picture(width: int, height: int, words: str, *children: Quoted) -> Quoted:
    """A whole picture; ``words`` say what it shows to those who do not see it."""
    return element(
        "svg",
        *children,
        xmlns="http://www.w3.org/2000/svg",
        viewBox=f"0 0 {width} {height}",
        width=width,
        height=height,
        role="img",
        aria_label=printable(words),
    )


def text(x: float, y: float, words: str, size: int = 14, **attributes: str | int) -> Quoted:
    """A line of text."""
    plain = html(printable(words))
    return element("text", plain, x=x, y=y, font_size=size, **attributes)


def fit(words: str, width: float, size: int) -> str:
    """As much of a text as goes into a width."""
    room = max(1, int(width / (size * LETTER)))
    shown = printable(words)
    return shown if len(shown) <= room else f"{shown[: room - 1]}…"


def wrap(words: str, width: float, size: int, lines: int) -> list[str]:
    """A text on a few lines; what does not fit ends in an ellipsis."""
    room = max(1, int(width / (size * LETTER)))
    done: list[str] = []
    line = ""
    for word in printable(words).split():
        longer = f"{line} {word}".strip()
        if line and len(longer) > room:
            done.append(line)
            line = word
        else:
            line = longer
    done.append(line)
    if len(done) > lines:
        done = [*done[: lines - 1], " ".join(done[lines - 1 :])]
    return [fit(one, width, size) for one in done]


def alone(drawn: Quoted) -> bytes:
    """The picture as a file of its own, with the looks that the page gives it."""
    opening, _, rest = drawn.partition(">")
    style = element("style", Quoted(STANDALONE))
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{opening}>{style}{rest}\n'.encode()


def words_of(drawn: Quoted) -> str:
    """What a whole picture says in words."""
    return ET.fromstring(drawn).attrib["aria-label"]


def joined(parts: Iterable[Quoted]) -> Quoted:
    """Several elements as one."""
    return Quoted("".join(parts))
