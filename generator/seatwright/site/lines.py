"""Kinds of a site's own: USB classes, interfaces, policy lines, rows of seats."""

from __future__ import annotations

import re
from typing import Any

from yaml.nodes import Node

from seatwright.findings.words import nearest, shown
from seatwright.site.kind import Misread, Report, Scalar, Schema
from seatwright.site.scalars import NAME_LENGTH, NAME_PATTERN, Integer, Name
from seatwright.site.units import usb_id_or_vendor
from seatwright.usb.classes import BY_NAME
from seatwright.usb.device import Interface

EVERYTHING = "everything"
LINE_TARGETS = "line targets"
"""Pseudo section: what a policy line may name is a class, ``everything`` or a peripheral."""

MOST_SEATS = 5000
"""Seats that one range may have: more is a slip of the finger."""

CODE_PATTERN = "0x[0-9a-fA-F]{1,2}"
RANGE = re.compile(r"([a-z0-9-]*?)(0*[0-9]+) +to +([a-z0-9-]*?)(0*[0-9]+)")


def class_code(text: str) -> int | None:
    """The code that a number (``0x08`` or ``8``) writes; None where it is no such number."""
    if re.fullmatch(CODE_PATTERN, text):
        return int(text, 16)
    if re.fullmatch("0|[1-9][0-9]{0,2}", text) and int(text) <= 0xFF:
        return int(text)
    return None


class Version(Integer):
    """The version of the description's language; the program reads exactly one."""

    def __init__(self, version: int) -> None:
        super().__init__(version, version)

    @property
    def words(self) -> str:
        return f"the version of the language, {self.least}"

    def parse(self, text: str) -> int:
        try:
            return super().parse(text)
        except Misread:
            raise Misread(
                f"This description is for version {shown(text)} of the language; this program "
                f"reads version {self.least}.",
                "Install the program that goes with it, or follow the notes of the release that "
                "changed the version.",
                "unknown-version",
            ) from None


class UsbClassKind(Scalar):
    """A class by its short name or its number; reads into the code."""

    @property
    def words(self) -> str:
        return "a USB class such as mass-storage or 0x08"

    def parse(self, text: str) -> int:
        if text in BY_NAME:
            return BY_NAME[text].code
        code = class_code(text)
        if code is None:
            near = nearest(text, BY_NAME)
            raise Misread(
                f"{shown(text)} is not a USB class.",
                f'Did you mean "{near}"?'
                if near
                else "Write a name such as mass-storage, or a number from 0x00 to 0xff.",
                "unknown-class",
            )
        return code

    def json_schema(self) -> Schema:
        return {
            "anyOf": [
                {"enum": list(BY_NAME)},
                {"type": "integer", "minimum": 0, "maximum": 255},
                {"type": "string", "pattern": f"^({CODE_PATTERN}|[0-9]{{1,3}})$"},
            ]
        }

    def argument_spec(self) -> Schema:
        return {"type": "int"}


class InterfaceKind(Scalar):
    """An interface: its class, or class/subclass/protocol (``hid/1/1`` is a boot keyboard)."""

    @property
    def words(self) -> str:
        return "an interface such as audio, 0xff or hid/1/1"

    def parse(self, text: str) -> Interface:
        first, *rest = text.split("/")
        usb_class = UsbClass.parse(first)
        if not rest:
            return Interface(usb_class)
        numbers = [class_code(part) for part in rest]
        if len(numbers) != 2 or None in numbers:
            raise Misread(
                f"{shown(text)} is not an interface.",
                "Write the class alone, or class, "
                'subclass and protocol with "/" between them, as in hid/1/1.',
            )
        return Interface(usb_class, numbers[0], numbers[1])

    def json_schema(self) -> Schema:
        part = f"({CODE_PATTERN}|[0-9]{{1,3}})"
        names = "|".join(BY_NAME)
        return {
            "anyOf": [
                *UsbClass.json_schema()["anyOf"],
                {"type": "string", "pattern": f"^({names}|{part})/{part}/{part}$"},
            ]
        }

    def argument_spec(self) -> Schema:
        return {"type": "str"}


class LineWord(Scalar):
    """A policy line in one word: a class, a peripheral's name, an id, a vendor, ``everything``.

    Reads into the text as written; :func:`seatwright.site.build.match_of` gives it its meaning.
    """

    @property
    def words(self) -> str:
        return "one word (a class, a peripheral, an id or everything)"

    def parse(self, text: str) -> str:
        if ":" in text:
            usb_id_or_vendor(text)
        elif text[:1].isdigit() and class_code(text) is None and text[:2] == "0x":
            raise Misread(
                f"{shown(text)} is not a class.", "Classes go from 0x00 to 0xff.", "unknown-class"
            )
        elif class_code(text) is None:
            Name().parse(text)
        return text

    def accept(self, value: Any, node: Node, report: Report) -> Any:
        if value not in BY_NAME and ":" not in value and class_code(value) is None:
            report.refer(LINE_TARGETS, value, node)
        return value

    def json_schema(self) -> Schema:
        return {
            "anyOf": [
                {"enum": [*BY_NAME, EVERYTHING]},
                {"type": "integer", "minimum": 0, "maximum": 255},
                {
                    "type": "string",
                    "pattern": rf"^([0-9a-fA-F]{{4}}:([0-9a-fA-F]{{4}}|\*)|"
                    rf"{CODE_PATTERN}|{NAME_PATTERN})$",
                    "maxLength": NAME_LENGTH,
                },
            ]
        }

    def argument_spec(self) -> Schema:
        return {"type": "str"}


class SeatWord(Scalar):
    """Seats in one word: a name, or a row of them (``rr-01 to rr-12``); reads into the names."""

    @property
    def words(self) -> str:
        return 'the name of a seat, or a row of seats such as "rr-01 to rr-12"'

    def parse(self, text: str) -> tuple[str, ...]:
        if " to " not in text:
            return (Name().parse(text),)
        found = RANGE.fullmatch(text)
        if not found or found[1] != found[3]:
            raise Misread(
                f"{shown(text)} is neither a seat nor a row of seats.",
                'A row is two names that differ in the number at their end only: "rr-01 to rr-12".',
            )
        prefix, first, last = found[1], found[2], found[4]
        padded = len(first) == len(last)
        if not padded and (first.startswith("0") or last.startswith("0")):
            raise Misread(
                f"The numbers in {shown(text)} differ in length.",
                'Write as many leading zeros on both sides: "rr-01 to rr-12".',
            )
        if max(len(first), len(last)) > 9 or not 0 <= int(last) - int(first) < MOST_SEATS:
            raise Misread(
                f"{shown(text)} is not a row of seats.",
                f"The smaller number stands first, and a row has at most {MOST_SEATS} seats.",
            )
        width = len(first) if padded else 0
        names = [f"{prefix}{number:0{width}d}" for number in range(int(first), int(last) + 1)]
        return tuple(Name().parse(name) for name in names)

    def json_schema(self) -> Schema:
        return {
            "type": ["string", "integer"],
            "minimum": 0,
            "pattern": rf"^({NAME_PATTERN}|[a-z0-9-]*[0-9] +to +[a-z0-9-]*[0-9])$",
        }

    def argument_spec(self) -> Schema:
        return {"type": "str"}


UsbClass = UsbClassKind()
