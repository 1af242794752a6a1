"""usb/classes.py: names and codes go both ways. The outside list is compared in tests/oracle."""

from __future__ import annotations

import re

from seatwright.usb.classes import (
    BY_CODE,
    BY_NAME,
    CLASSES,
    class_name,
    may_be_device_class,
    may_be_interface_class,
)


def test_names_and_codes_go_both_ways() -> None:
    assert len(BY_CODE) == len(BY_NAME) == len(CLASSES)
    assert [entry.code for entry in CLASSES] == sorted(BY_CODE)
    assert all(BY_NAME[entry.name].code == entry.code for entry in CLASSES)
    assert all(re.fullmatch(r"[a-z0-9]+(-[a-z0-9]+)*", name) for name in BY_NAME)


def test_a_class_without_a_name_shows_its_number() -> None:
    assert class_name(0x08) == "mass-storage"
    assert class_name(0x58) == "0x58"


def test_where_a_class_may_stand() -> None:
    assert may_be_device_class(0x02) and may_be_interface_class(0x02)
    assert may_be_interface_class(0x08) and not may_be_device_class(0x08)
    assert may_be_device_class(0x00) and not may_be_interface_class(0x00)
    assert may_be_device_class(0x09) and may_be_interface_class(0x09)
    assert may_be_device_class(0x58) and may_be_interface_class(0x58)
