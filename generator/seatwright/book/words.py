"""The words of the door sheets, by language.

A catalogue is a TOML file in ``templates/book/words``: sentences with names in braces.  A language
that has none gets English; "de-AT" gets "de".
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Mapping
from functools import cache
from pathlib import Path
from typing import Any

from seatwright.findings.words import printable
from seatwright.policy.words import CLASS_WORDS
from seatwright.render.engine import templates
from seatwright.render.quote import Quoted, html
from seatwright.usb.classes import class_name

FALLBACK = "en"


def folder() -> Path:
    """Where the catalogues are."""
    return templates() / "book" / "words"


def languages() -> tuple[str, ...]:
    """The languages that have a catalogue, sorted."""
    return tuple(sorted(path.stem for path in folder().glob("*.toml")))


@cache
def load(language: str) -> Mapping[str, Any]:
    """The catalogue of a language as its file has it; OSError where there is none."""
    return tomllib.loads((folder() / f"{language}.toml").read_text(encoding="utf-8"))


class Words:
    """The words of one language; ``language`` is the one that they are in."""

    def __init__(self, wanted: str) -> None:
        short = wanted.partition("-")[0]
        self.language = short if short in languages() else FALLBACK
        self._sentences: Mapping[str, Any] = load(self.language)["sheet"]
        self._classes: Mapping[str, str] = load(self.language)["classes"]
        self._one: tuple[int, ...] = tuple(load(self.language)["one"])

    def say(self, slug: str, **values: str | int | Quoted) -> Quoted:
        """A sentence as HTML; values that are not quoted yet are text and are escaped."""
        ready = {name: in_page(value) for name, value in values.items()}
        return Quoted(html(self._sentences[slug]).format_map(ready))

    def count(self, slug: str, number: int, **values: str | int) -> Quoted:
        """A sentence that depends on a number, which it may name as ``{number}``."""
        form = "one" if number in self._one else "more"
        ready = {name: in_page(value) for name, value in values.items()}
        return Quoted(html(self._sentences[slug][form]).format_map({"number": number, **ready}))

    def plain(self, slug: str) -> str:
        """A sentence without values, as text."""
        return str(self._sentences[slug])

    def usb_class(self, code: int) -> str:
        """What people call the devices of a class, as text."""
        name = class_name(code)
        if code in CLASS_WORDS:
            return self._classes[name]
        return self.plain("other_class").format(name=name)

    def listed(self, parts: Iterable[str]) -> str:
        """``a, b and c``, as text."""
        *front, end = parts
        last = self.plain("and")
        return f"{', '.join(front)} {last} {end}" if front else end


def in_page(value: str | int | Quoted) -> Quoted:
    """Text of a site as a page shows it: every sign seen, and kept from reordering others."""
    if isinstance(value, int):
        return Quoted(str(value))
    if isinstance(value, Quoted):
        return value
    return Quoted(f"<bdi>{html(printable(value))}</bdi>")
