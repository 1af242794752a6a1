"""Kinds of single values: text, names, choices, numbers with units."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

from yaml.nodes import Node

from seatwright.findings.words import escape, is_printable, listed, nearest, shown
from seatwright.site.kind import Misread, Parsed, Report, Scalar, Schema
from seatwright.site.units import (
    bcd,
    duration,
    ip_address,
    percent,
    picture,
    port_path,
    port_range,
    rate,
    round_trip,
    size,
    usb_id,
    usb_id_or_vendor,
)

NAME_PATTERN = "[a-z0-9]([a-z0-9-]*[a-z0-9])?"
NAME_LENGTH = 63
"""A name becomes a host name (RFC 1123, section 2.1) and part of unit and file names."""

IS_NAME = re.compile(NAME_PATTERN).fullmatch
IS_NUMBER = re.compile("0|[1-9][0-9]{0,17}").fullmatch

TEXT_LENGTH = 200
SCALAR_TYPES = ["string", "number", "boolean"]
"""What an editor may take a plain ``1984`` or ``true`` for; the text is what counts here."""

NOT_PRINTABLE = r"\u0000-\u001f\u007f-\u009f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069\ufeff"
"""Of a pattern's character class: controls, line ends and bidi controls (see findings.words)."""


class Text(Scalar):
    """Free text on one line; it may hold anything that prints and is quoted wherever it lands."""

    @property
    def words(self) -> str:
        return "text on one line"

    def parse(self, text: str) -> str:
        for character in text:
            if not is_printable(character):
                raise Misread(
                    f"The text {shown(text)} holds the character {escape(character)}, "
                    "which does not print.",
                    "Free text is one line of letters, digits, "
                    "signs and blanks; take that character out.",
                )
        if text != text.strip() or not text:
            raise Misread(
                f"The text {shown(text)} is empty, or begins or ends with a blank.",
                "Take the blanks at both ends away.",
            )
        if len(text) > TEXT_LENGTH:
            raise Misread(
                f"The text {shown(text)} has {len(text)} characters.",
                f"At most {TEXT_LENGTH} are shown anywhere; shorten it.",
            )
        return text

    def json_schema(self) -> Schema:
        pattern = rf"^(?!\s)[^{NOT_PRINTABLE}]+(?<!\s)$"
        return {"type": SCALAR_TYPES, "pattern": pattern, "maxLength": TEXT_LENGTH}

    def argument_spec(self) -> Schema:
        return {"type": "str"}


class Name(Scalar):
    """A name of the site's own: of a room, a seat, a guest, …"""

    @property
    def words(self) -> str:
        return "a name (lower-case letters, digits and hyphens)"

    def parse(self, text: str) -> str:
        if len(text) > NAME_LENGTH:
            raise Misread(
                f"The name {shown(text)} has {len(text)} characters.",
                f"A name has at most {NAME_LENGTH}.",
                "bad-name",
            )
        if not IS_NAME(text):
            raise Misread(f"{shown(text)} cannot be a name.", name_hint(text), "bad-name")
        return text

    def json_schema(self) -> Schema:
        return {
            "type": ["string", "integer"],
            "minimum": 0,
            "pattern": f"^{NAME_PATTERN}$",
            "maxLength": NAME_LENGTH,
        }

    def argument_spec(self) -> Schema:
        return {"type": "str"}


def name_hint(text: str) -> str:
    """What a name may be, and one that is near to what was written if there is one."""
    rule = (
        "A name has lower-case letters, digits and hyphens, and begins and ends with a letter "
        "or a digit"
    )
    near = re.sub("[^a-z0-9]+", "-", text.lower()).strip("-")[:NAME_LENGTH].strip("-")
    return f'{rule}; for instance "{near}".' if near else f"{rule}."


class NameOf(Name):
    """The name of something that the site describes in ``section``: it has to exist."""

    def __init__(self, section: str, what: str) -> None:
        self.section, self.what = section, what

    @property
    def words(self) -> str:
        return f"the name of {self.what}"

    def accept(self, value: Any, node: Node, report: Report) -> Any:
        report.refer(self.section, value, node)
        return value


class LabelOf(Text):
    """The label of something described elsewhere (``section``): it has to exist."""

    def __init__(self, section: str, what: str) -> None:
        self.section, self.what = section, what

    @property
    def words(self) -> str:
        return f"the label of {self.what}"

    def accept(self, value: Any, node: Node, report: Report) -> Any:
        report.refer(self.section, value, node)
        return value


class Choice(Scalar):
    """One word out of a few."""

    def __init__(self, *choices: str) -> None:
        self.choices = choices

    @property
    def words(self) -> str:
        return listed(self.choices) if len(self.choices) > 1 else f"the word {self.choices[0]}"

    def parse(self, text: str) -> str:
        if text in self.choices:
            return text
        near = nearest(text, self.choices)
        raise Misread(
            f"{shown(text)} is not one of {listed(self.choices)}.",
            f'Did you mean "{near}"?' if near else f"Write {listed(self.choices)}.",
        )

    def json_schema(self) -> Schema:
        return {"type": "string", "enum": list(self.choices)}

    def argument_spec(self) -> Schema:
        return {"type": "str", "choices": list(self.choices)}


class Integer(Scalar):
    """A whole number in decimal digits, within bounds (both included)."""

    quotes_allowed = False

    def __init__(self, least: int, most: int) -> None:
        self.least, self.most = least, most

    @property
    def words(self) -> str:
        return f"a whole number from {self.least} to {self.most}"

    def parse(self, text: str) -> int:
        if not IS_NUMBER(text):
            raise Misread(
                f"{shown(text)} is not {self.words}.",
                "Write it in plain decimal digits, without leading zeros.",
            )
        number = int(text)
        if not self.least <= number <= self.most:
            raise Misread(
                f"{number} is not {self.words}.",
                f"The least is {self.least}, the most {self.most}.",
            )
        return number

    def json_schema(self) -> Schema:
        return {"type": "integer", "minimum": self.least, "maximum": self.most}

    def argument_spec(self) -> Schema:
        return {"type": "int"}


class Boolean(Scalar):
    """``true`` or ``false``, no other words for them."""

    quotes_allowed = False

    @property
    def words(self) -> str:
        return "true or false"

    def parse(self, text: str) -> bool:
        if text not in ("true", "false"):
            raise Misread(
                f"{shown(text)} is neither true nor false.",
                "Write true or false; yes, no, on and off are not used here.",
            )
        return text == "true"

    def json_schema(self) -> Schema:
        return {"type": "boolean"}

    def argument_spec(self) -> Schema:
        return {"type": "bool"}


class Always(Boolean):
    """Only ``true``: the key says it, the value just stands there."""

    @property
    def words(self) -> str:
        return "true"

    def parse(self, text: str) -> bool:
        if text != "true":
            raise Misread(f"{shown(text)} is not true.", "Write true, or leave the key out.")
        return True

    def json_schema(self) -> Schema:
        return {"const": True}


def matching(pattern: str, what: str, hint: str) -> Callable[[str], str]:
    """A parse function for text that fits a pattern as a whole."""

    def parse(text: str) -> str:
        if not re.fullmatch(pattern, text):
            raise Misread(f"{shown(text)} is not {what}.", hint)
        return text

    return parse


def patterned(words: str, pattern: str, hint: str) -> Parsed:
    """A kind of text that fits a pattern as a whole."""
    return Parsed(
        words, matching(pattern, words, hint), {"type": "string", "pattern": f"^({pattern})$"}
    )


Rate = Parsed(
    'a rate such as "1 Gb/s" or "38 MB/s"',
    rate,
    {"type": "string", "pattern": r"^[0-9]{1,6}(\.[0-9]{1,6})? ?[kMG]?[bB]/s$"},
    "int",
)
Duration = Parsed(
    'a duration such as "10 min"',
    duration,
    {"type": "string", "pattern": "^0*[1-9][0-9]{0,5} ?(s|min|h)$"},
    "int",
)
RoundTrip = Parsed(
    'a time such as "0.5 ms"',
    round_trip,
    {"type": "string", "pattern": r"^[0-9]{1,6}(\.[0-9]{1,3})? ?(us|ms|s)$"},
    "int",
)
Size = Parsed(
    'an amount such as "64 kB"',
    size,
    {"type": "string", "pattern": r"^[0-9]{1,6}(\.[0-9]{1,3})? ?[kMG]?B$"},
    "int",
)
Picture = Parsed(
    'a size such as "640x480"',
    picture,
    {"type": "string", "pattern": "^[1-9][0-9]{0,4}x[1-9][0-9]{0,4}$"},
)
Percent = Parsed(
    'a share such as "25%"',
    percent,
    {"type": "string", "pattern": "^0{0,2}(100|[1-9][0-9]?) ?%$"},
    "int",
)
UsbId = Parsed(
    'the id of a USB device such as "1209:0003"',
    usb_id,
    {"type": "string", "pattern": "^[0-9a-fA-F]{4}:[0-9a-fA-F]{4}$"},
)
UsbIdOrVendor = Parsed(
    'an id such as "1209:0003" or a vendor "1209:*"',
    usb_id_or_vendor,
    {"type": "string", "pattern": r"^[0-9a-fA-F]{4}:([0-9a-fA-F]{4}|\*)$"},
)
Bcd = Parsed(
    'a bcdDevice such as "1.10"',
    bcd,
    {"type": ["string", "number"], "pattern": r"^([0-9]{1,2}\.[0-9]{2}|0x[0-9a-fA-F]{4})$"},
)
PortPath = Parsed(
    'a port path such as "2-3.4.2"',
    port_path,
    {"type": "string", "pattern": r"^[1-9][0-9]{0,2}-[1-9][0-9]{0,2}(\.[1-9][0-9]{0,2}){0,5}$"},
)
PortRange = Parsed(
    'a range of TCP ports such as "5901-5999"',
    port_range,
    {"type": "string", "pattern": "^[1-9][0-9]{0,4} ?- ?[1-9][0-9]{0,4}$"},
    "list",
)
IpAddress = Parsed(
    "an IP address",
    ip_address,
    {"type": "string", "pattern": "^[0-9a-fA-F:.]{2,45}(%[0-9a-zA-Z]+)?$"},
)
Address = patterned(
    "a host name or an IP address",
    "[0-9A-Za-z]([0-9A-Za-z.:-]{0,251}[0-9A-Za-z])?|::1?",
    "Write letters, digits, points and hyphens (colons for IPv6), no user, no port.",
)
Language = patterned(
    "the code of a language",
    "[a-z]{2,3}(-[A-Z]{2})?",
    'Write it as in "en" or "de-AT" (ISO 639, ISO 3166).',
)
User = patterned(
    "the name of a user",
    "(?!seat$)[a-z_][a-z0-9_-]{0,31}",
    "Write a user name as Debian takes it: lower-case letters, digits, hyphens and underscores, "
    "32 at most; not seat, who is the session's user and logs in nowhere.",
)
Uri = patterned(
    "the address of a libvirt connection",
    "[a-z][a-z0-9+]*://[!-~]*",
    'Write it as in "qemu:///system".',
)
Serial = patterned(
    "a board's serial number",
    r"[A-Za-z0-9][A-Za-z0-9._-]{1,63}",
    "Write it as the board itself says it: letters, digits, dots, hyphens.",
)
Mac = patterned(
    "a network adapter's address",
    r"[0-9a-f]{2}(:[0-9a-f]{2}){5}",
    'Write it in lower case, as in "52:54:00:12:34:56".',
)
Package = patterned(
    "the name of a Debian package",
    r"[a-z0-9][a-z0-9+.-]+",
    "Names of packages are lower-case letters, digits, +, - and dots.",
)
Sha256 = patterned(
    "a SHA-256",
    r"[0-9a-f]{64}",
    "It is 64 digits from 0 to f, as sha256sum prints them.",
)
Pattern = patterned(
    "files below the site's folder",
    r"[^\\\x00-\x1f]+",
    'Write names with "/" between folders and "*" for any, as in "rooms/*.yml".',
)
