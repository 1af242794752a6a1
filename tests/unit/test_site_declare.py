"""Kinds and records: what each takes, what it refuses in which words, and what it derives."""

from __future__ import annotations

from typing import Any

import pytest
import yaml

from seatwright.site import declare as d
from seatwright.site.compose import Loader
from seatwright.site.lines import InterfaceKind, LineWord, SeatWord, UsbClass, Version
from seatwright.usb.device import Interface


def read(kind: d.Kind, text: str) -> tuple[Any, d.Report]:
    """What a kind reads from a piece of YAML."""
    report = d.Report()
    return kind.read(yaml.compose(text, Loader=Loader), report), report


TAKEN = [
    (d.Text(), "on", "on"),
    (d.Text(), "1:20", "1:20"),
    (d.Text(), "2021-03-01", "2021-03-01"),
    (d.Text(), "010", "010"),
    (d.Text(), "'{{ x }} </script> $(rm) %n 😀'", "{{ x }} </script> $(rm) %n 😀"),
    (d.Name(), "rr-01", "rr-01"),
    (d.Name(), "007", "007"),
    (d.Name(), "no", "no"),
    (d.Integer(0, 99), "12", 12),
    (d.Boolean(), "true", True),
    (d.Boolean(), "false", False),
    (d.Rate, "1 Gb/s", 10**9),
    (d.Rate, "38 MB/s", 304_000_000),
    (d.Rate, "1.5Mb/s", 1_500_000),
    (d.Duration, "10 min", 600),
    (d.Duration, "45s", 45),
    (d.Percent, "25%", 25),
    (d.UsbId, '"1209:000A"', (0x1209, 10)),
    (d.UsbIdOrVendor, '"1209:*"', (0x1209, None)),
    (d.Bcd, '"1.10"', 0x0110),
    (d.Bcd, "1.10", 0x0110),
    (d.Bcd, "12.34", 0x1234),
    (d.Bcd, "0x1a0b", 0x1A0B),
    (d.PortPath, "2-3.4.2", "2-3.4.2"),
    (d.PortRange, "5901-5999", (5901, 5999)),
    (d.IpAddress, '"::"', "::"),
    (d.Address, "quay.example", "quay.example"),
    (d.Address, '"2001:db8::7"', "2001:db8::7"),
    (UsbClass, "mass-storage", 8),
    (UsbClass, "0x08", 8),
    (UsbClass, "255", 255),
    (InterfaceKind(), "hid/1/0x01", Interface(3, 1, 1)),
    (InterfaceKind(), "audio", Interface(1)),
    (SeatWord(), "rr-01 to rr-03", ("rr-01", "rr-02", "rr-03")),
    (SeatWord(), "mr-8 to mr-11", ("mr-8", "mr-9", "mr-10", "mr-11")),
    (SeatWord(), "7 to 9", ("7", "8", "9")),
    (SeatWord(), "kiosk", ("kiosk",)),
    (LineWord(), "everything", "everything"),
    (LineWord(), '"1209:*"', "1209:*"),
    (Version(1), "1", 1),
]


@pytest.mark.parametrize(("kind", "text", "value"), TAKEN)
def test_taken(kind: d.Kind, text: str, value: object) -> None:
    assert (read(kind, text)[0], read(kind, text)[1].problems) == (value, [])


REFUSED = [
    (d.Text(), '" x"', "blank"),
    (d.Text(), '"a\\nb"', "\\n"),
    (d.Text(), '"a\\u202eb"', "\\u202e"),
    (d.Text(), '"a\\u0007b"', "\\u0007"),
    (d.Text(), '"a\\uFEFFb"', "\\ufeff"),
    (d.Text(), "x" * 201, "201 characters"),
    (d.Text(), "|\n  two\n  lines\n", "\\n"),
    (d.Name(), "Reading Room", "cannot be a name"),
    (d.Name(), '"{{ x }}"', "cannot be a name"),
    (d.Name(), "../x", "cannot be a name"),
    (d.Name(), '"x\\n"', "cannot be a name"),
    (d.Name(), "-x", "cannot be a name"),
    (d.Name(), "x" * 64, "64 characters"),
    (d.Name(), "é", "cannot be a name"),
    (d.Name(), "\U0001d7d9", "cannot be a name"),
    (d.Integer(0, 99), "0x10", "whole number"),
    (d.Integer(0, 99), "010", "whole number"),
    (d.Integer(0, 99), "1_0", "whole number"),
    (d.Integer(0, 99), "1:20", "whole number"),
    (d.Integer(0, 99), "٣", "whole number"),
    (d.Integer(0, 99), "100", "100 is not"),
    (d.Integer(0, 99), "9" * 5000, "whole number"),
    (d.Integer(0, 99), '"5"', "quotes"),
    (d.Boolean(), "yes", "neither true nor false"),
    (d.Boolean(), "True", "neither true nor false"),
    (d.Always(), "false", "not true"),
    (d.Rate, "fast", "not a rate"),
    (d.Rate, "1 GB", "not a rate"),
    (d.Rate, "0 b/s", "less than one bit"),
    (d.Duration, "0 s", "not a duration"),
    (d.Duration, "10 minutes", "not a duration"),
    (d.Percent, "0%", "not a share"),
    (d.Percent, "101%", "not a share"),
    (d.UsbId, "12:34", "id of a USB device"),
    (d.UsbId, '"1209:*"', "id of a USB device"),
    (d.Bcd, '"1.1"', "bcdDevice"),
    (d.PortPath, "2", "port path"),
    (d.PortPath, "2-3.4.5.6.7.8.9", "deep"),
    (d.PortPath, "0-1", "numbers begin at 1"),
    (d.PortRange, "80-90", "1024"),
    (d.PortRange, "6000-5901", "1024 to 65535"),
    (d.IpAddress, "quay", "not an IP address"),
    (d.Address, "a b", "host name"),
    (d.Address, "ops@quay", "host name"),
    (UsbClass, "smartcard", "not a USB class"),
    (UsbClass, "256", "not a USB class"),
    (InterfaceKind(), "hid/1", "not an interface"),
    (SeatWord(), "a-1 to b-4", "row of seats"),
    (SeatWord(), "a-09 to a-010", "differ in length"),
    (SeatWord(), "a-5 to a-4", "not a row of seats"),
    (SeatWord(), "a-1 to a-99999", "not a row"),
    (SeatWord(), f"a-1 to a-{'9' * 6000}", "row of seats"),
    (LineWord(), "0x1ff", "not a class"),
    (LineWord(), "'1209:'", "id of a USB device"),
    (Version(1), "2", "version"),
    (d.Text(), "[a]", "Here stands a list"),
    (d.Text(), "~", "no value"),
]


@pytest.mark.parametrize(("kind", "text", "words"), REFUSED)
def test_refused_in_words(kind: d.Kind, text: str, words: str) -> None:
    value, report = read(kind, text)
    assert value is d.BROKEN
    [problem] = report.problems
    assert words in problem.message
    assert problem.hint


def test_a_refused_name_suggests_one() -> None:
    _, report = read(d.Name(), "Reading Room (old)")
    assert 'for instance "reading-room-old"' in report.problems[0].hint


def test_names_are_referred_to() -> None:
    _, report = read(d.ListOf(d.NameOf("models", "a model")), "[vale, ridge]")
    assert [(one.section, one.name) for one in report.references] == [
        ("models", "vale"),
        ("models", "ridge"),
    ]


RECORD = d.Record(
    "a thing",
    d.Key("name", d.Name(), "Its name.", required=True),
    d.Key("count", d.Integer(0, 9), "How many.", default=3, shown_default="3"),
    d.Key("mode", d.Choice("fast", "slow"), "How."),
)


def test_a_record_has_every_key() -> None:
    assert read(RECORD, "{name: x}")[0] == {"name": "x", "count": 3, "mode": None}


def test_a_misspelt_key_is_not_missing_as_well() -> None:
    value, report = read(RECORD, "{nmae: x}")
    assert [problem.slug for problem in report.problems] == ["unknown-key"]
    assert 'Did you mean "name"?' in report.problems[0].hint
    assert d.broken(value)


def test_a_record_that_is_none() -> None:
    _, report = read(RECORD, "[a]")
    assert report.problems[0].slug == "wrong-form"


@pytest.mark.parametrize(
    ("record", "text", "words"),
    [
        ({"one_of": ("count", "mode")}, "{name: x}", "Exactly one of the keys count or mode"),
        ({"one_of": ("count", "mode")}, "{name: x, count: 1, mode: fast}", "Exactly one"),
        ({"any_of": ("count", "mode")}, "{name: x}", "One of the keys count or mode"),
        ({"not_both": ("count", "mode")}, "{name: x, count: 1, mode: fast}", "cannot stand"),
        ({"needs": {"mode": ("count",)}}, "{name: x, mode: fast}", "nothing without count"),
    ],
)
def test_keys_that_do_not_go_together(record: dict[str, Any], text: str, words: str) -> None:
    kind = d.Record("a thing", *RECORD.keys.values(), **record)
    _, report = read(kind, text)
    [problem] = report.problems
    assert (problem.slug, words in problem.message) == ("wrong-keys", True)


def test_argument_specification() -> None:
    kind = d.ListOf(RECORD)
    assert kind.argument_spec() == {
        "type": "list",
        "elements": "dict",
        "options": {
            "name": {"description": ["Its name."], "type": "str", "required": True},
            "count": {"description": ["How many."], "type": "int", "default": 3},
            "mode": {"description": ["How."], "type": "str", "choices": ["fast", "slow"]},
        },
    }


def test_alternatives_are_told_apart_by_form() -> None:
    kind = d.OneOf(d.Name(), d.ListOf(d.Name()))
    assert read(kind, "a")[0] == "a"
    assert read(kind, "[a, b]")[0] == ("a", "b")
    assert "a name" in read(kind, "{a: b}")[1].problems[0].message
    with pytest.raises(ValueError):
        d.OneOf(d.Name(), d.Text())


def test_a_map_keeps_its_order_and_its_readable_part() -> None:
    value, report = read(d.MapOf(RECORD, d.Name(), "things"), "{b: {name: x}, A: {name: y}, c: 1}")
    assert list(value) == ["b", "c"]
    assert value["c"] is d.BROKEN
    assert [problem.slug for problem in report.problems] == ["bad-name", "wrong-form"]
