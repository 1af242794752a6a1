"""Quoting: one function for each language that rendered text is written in.

Each takes a value and gives text that stands for exactly that value in the language, or raises
:class:`QuoteError` where the language has no way to say it.  They return :class:`Quoted`, which
is what :mod:`seatwright.render.engine` lets into a file.  Characters that a reviewer would not
see (bidi controls, other controls) are written as escapes wherever the language has them.
"""

from __future__ import annotations

import html as html_library
import re
import shlex
import sys
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import yaml as yaml_library

from seatwright.findings.words import shown
from seatwright.render.errors import QuoteError

PLAIN_WORD = re.compile(r"(?![0-9a-f]+$)[a-z][a-z0-9]*([-_.][a-z0-9]+)*")
"""What YAML may have without quotes, the words of :data:`YAML_WORDS` excepted."""

YAML_WORDS = frozenset(("y", "n", "yes", "no", "on", "off", "true", "false", "null"))
"""Plain words that YAML 1.1 or 1.2 reads as something else than text."""

HIDDEN = re.compile(
    "[\0-\x1f\x7f-\x9f\xad\u061c\u200b\u200e\u200f\u2028-\u202e\u2060-\u2069\ufeff\ufff9-\ufffb"
    "\ufffe\uffff\ud800-\udfff\U000e0000-\U000e007f]"
)
"""What nobody sees, or what reorders its surroundings (Unicode TR9, TR36). Code points and not
categories, because those change with the version of Python and rendered bytes must not."""

TEMPLATE_SIGNS = re.compile(r"\{[{%#]|[}%#]\}")
"""What Ansible's templates begin and end with."""


class Quoted(str):
    """Text that is right as it stands in the language it was quoted for."""

    __slots__ = ()


class FreeText(str):
    """Text a person wrote (a title, a label): never templated, never written bare."""

    __slots__ = ()


@dataclass(frozen=True, slots=True)
class Hex:
    """A number that YAML has in hexadecimal, with so many digits; a negative one as it is."""

    value: int
    digits: int

    def __str__(self) -> str:
        return f"0x{self.value:0{self.digits}x}" if self.value >= 0 else str(self.value)


class Yaml(Quoted):
    """YAML in flow style; inside of other values it stays as it is."""

    __slots__ = ()


def yaml(value: object) -> Yaml:
    """A value as YAML in flow style, on one line.

    Free text, and all other text that Ansible could take for a template, is tagged ``!unsafe``.
    """
    return Yaml(_flow(value))


def _flow(value: object) -> str:
    writer = _WRITERS.get(type(value)) or _inherited_writer(type(value))
    return writer(value)


def _inherited_writer(kind: type) -> Callable[[Any], str]:
    for one in kind.__mro__:
        if one in _WRITERS:
            return _WRITERS[one]
    raise TypeError(f"no YAML for {kind.__name__}")


def _pairs(value: Mapping[str, object]) -> str:
    return "{" + ", ".join([f"{_text(key)}: {_flow(one)}" for key, one in value.items()]) + "}"


def _members(value: Iterable[object]) -> str:
    return "[" + ", ".join([_flow(one) for one in value]) + "]"


@lru_cache(maxsize=8192)
def _text(text: str) -> str:
    if TEMPLATE_SIGNS.search(text):
        return f"!unsafe {yaml_string(text)}"
    if PLAIN_WORD.fullmatch(text) and text not in YAML_WORDS:
        return text
    return yaml_string(text)


_RESOLVER = yaml_library.resolver.Resolver()


def _free_text(text: str) -> str:
    """Tagged, unless it reads as a number or the like: of ``!unsafe "12"`` Ansible makes a number.

    (ansible-core 2.19 resolves what stands behind the tag as if it had no quotes.)  Such text has
    no template in it.
    """
    tag = _RESOLVER.resolve(yaml_library.ScalarNode, text, (True, False))  # type: ignore[no-untyped-call]
    if tag == _RESOLVER.DEFAULT_SCALAR_TAG:
        return f"!unsafe {yaml_string(text)}"
    return yaml_string(text)


_WRITERS: Mapping[type, Callable[[Any], str]] = {
    str: _text,
    FreeText: lambda text: _free_text(str(text)),
    Yaml: str,
    dict: _pairs,
    list: _members,
    tuple: _members,
    bool: lambda value: "true" if value else "false",
    int: str,
    Hex: str,
    type(None): lambda value: "null",
}
"""By type: a site with thousands of seats has a million values."""


def yaml_string(text: str) -> Quoted:
    """A quoted YAML scalar: single quotes where that spares backslashes."""
    if text.isascii() and text.isprintable() and "\\" not in text and '"' not in text:
        return Quoted(f'"{text}"')  # what PyYAML would say, a hundred times faster
    if text.isascii() and text.isprintable() and "'" not in text:
        return Quoted(f"'{text}'")  # YAML 1.2, 7.3.2: nothing else means anything in there
    _refuse(text, lambda c: "\ud800" <= c <= "\udfff", "YAML")
    line = yaml_library.safe_dump(
        str(text), default_style='"', allow_unicode=True, width=sys.maxsize
    )
    # PyYAML leaves bidi controls as they are; inside double quotes an escape says the same.
    return Quoted(_escaped(line.rstrip("\n")))


def yaml_comment(text: str) -> Quoted:
    """What may follow ``# `` on a line of YAML (or of any file with such comments)."""
    return Quoted(_escaped(text).strip())


def shell(text: str) -> Quoted:
    """One word of a POSIX shell command."""
    _refuse(text, lambda c: c == "\0", "a shell command")
    return Quoted(shlex.quote(text))


def systemd_text(text: str) -> Quoted:
    """The whole value of a systemd setting that takes text, such as Description=.

    systemd.syntax(7): one line, blanks at the ends are dropped, a backslash at the end goes on
    in the next line; systemd.unit(5): ``%`` starts a specifier.
    """
    _refuse(text, lambda c: HIDDEN.match(c) and c != "\t", "a systemd unit")
    if text != text.strip() or text.endswith("\\"):
        raise QuoteError(f"{shown(text)} cannot stand in a systemd unit: see how it ends")
    return Quoted(text.replace("%", "%%"))


def systemd_word(text: str) -> Quoted:
    """One word of a systemd setting that takes several, such as Environment=.

    systemd.syntax(7), quoting: double quotes with C escapes.
    """
    _refuse(text, lambda c: HIDDEN.match(c) and c not in "\n\t", "a systemd unit")
    escapes = {"\\": "\\\\", '"': '\\"', "\n": "\\n", "\t": "\\t", "%": "%%"}
    return Quoted('"' + "".join(escapes.get(c, c) for c in text) + '"')


def systemd_command(text: str) -> Quoted:
    """One argument of a systemd command line: as a word, and ``$`` doubled (systemd.service(5))."""
    return Quoted(systemd_word(text).replace("$", "$$"))


UDEV_PATTERN = '*?[]|\\"'


def udev_match(text: str) -> Quoted:
    """The right side of ``==`` in a udev rule, quotes included; udev(7): it is a pattern."""
    _refuse(text, lambda c: c in UDEV_PATTERN or HIDDEN.match(c), "a udev match")
    return Quoted(f'"{text}"')


def udev_value(text: str) -> Quoted:
    """The right side of ``=`` in a udev rule, quotes included; ``$`` and ``%`` are doubled."""
    _refuse(text, lambda c: c in '\\"' or HIDDEN.match(c), "a udev rule")
    return Quoted('"' + text.replace("$", "$$").replace("%", "%%") + '"')


def xml_text(text: str) -> Quoted:
    """Character data of an XML element."""
    from xml.sax import saxutils  # slow to load: it brings an HTTP client along

    _refuse(text, _not_xml, "XML")
    return Quoted(saxutils.escape(text, {"\r": "&#13;"}))


def xml_attribute(text: str) -> Quoted:
    """The value of an XML attribute, quotes included."""
    from xml.sax import saxutils

    _refuse(text, _not_xml, "XML")
    return Quoted(saxutils.quoteattr(text))


def _not_xml(character: str) -> bool:
    """Outside of XML 1.0's production [2] Char."""
    code = ord(character)
    allowed = code in (0x9, 0xA, 0xD) or 0x20 <= code <= 0xD7FF or 0xE000 <= code <= 0xFFFD
    return not (allowed or code >= 0x10000)


def ini(text: str) -> Quoted:
    """A value of an INI file as Python's configparser reads it.

    Readers differ on ``%`` (interpolation or not), so it is refused.
    """
    _refuse(text, lambda c: c == "%" or (HIDDEN.match(c) and c != "\t"), "an INI file")
    if text != text.strip() or re.search(r"(^|\s)[;#]", text):
        raise QuoteError(f"{shown(text)} cannot stand in an INI file: it would be cut")
    return Quoted(text)


def html(text: str) -> Quoted:
    """Text of an HTML element, or an attribute's value between double quotes."""
    _refuse(text, lambda c: c == "\0" or "\ud800" <= c <= "\udfff", "HTML")
    return Quoted(html_library.escape(text).replace("\r", "&#13;"))


MARKDOWN_SIGNS = re.compile(r"[\\`*_\[\]|~@]|:(?=//)|^[#+=>-]|(?<=www)\.", re.IGNORECASE)
"""What CommonMark, or the tables and links of a pull request's page, could take for a sign."""


def markdown(text: str) -> Quoted:
    """Text in Markdown (CommonMark 0.31, backslash escapes), in tables too, on one line.

    Signs of HTML become references; what a reader would not see is shown by its number.
    """
    signs = MARKDOWN_SIGNS.sub(lambda match: f"\\{match[0]}", " ".join(text.split()))
    signs = re.sub(r"^(\d+)([.)])", r"\1\\\2", signs)  # would start a numbered list
    return Quoted(html_library.escape(_escaped(signs), quote=False))


def _escaped(text: str) -> str:
    """Hidden characters by their number, as YAML and JSON write them in double quotes."""
    return HIDDEN.sub(lambda match: _number(match[0]), text)


def _number(character: str) -> str:
    code = ord(character)
    return f"\\u{code:04x}" if code <= 0xFFFF else f"\\U{code:08x}"


def _refuse(text: str, bad: Callable[[str], object], language: str) -> None:
    for character in text:
        if bad(character):
            raise QuoteError(
                f"{shown(text)} cannot stand in {language}: it has the character "
                f"{shown(character)}",
                "take that character out of the description",
            )


FILTERS: Mapping[str, Callable[..., Quoted]] = {
    "yaml": yaml,
    "yaml_comment": yaml_comment,
    "shell": shell,
    "systemd_text": systemd_text,
    "systemd_word": systemd_word,
    "systemd_command": systemd_command,
    "udev_match": udev_match,
    "udev_value": udev_value,
    "xml_text": xml_text,
    "xml_attribute": xml_attribute,
    "ini": ini,
    "html": html,
    "markdown": markdown,
}
"""By the names the templates use."""
