"""Class codes and titles against the USB ID repository's list (Debian package usb.ids)."""

from __future__ import annotations

import re

import pytest

from seatwright.usb.classes import CLASSES, UsbClass
from seatwright.usb.ids import UsbIds, system_ids

NOT_PUBLISHED = {0x58}
"""Codes in usb.ids that a maker uses and the published list does not have."""


@pytest.fixture(scope="module")
def ids() -> UsbIds:
    found = system_ids()
    assert found is not None, "usb.ids is missing: run apt-get install usb.ids"
    return found


def test_the_same_codes(ids: UsbIds) -> None:
    assert {entry.code for entry in CLASSES} == set(ids.classes) - NOT_PUBLISHED


@pytest.mark.parametrize("entry", CLASSES, ids=lambda entry: entry.name)
def test_the_same_words(ids: UsbIds, entry: UsbClass) -> None:
    """Wording differs a little (Image, Imaging): the stem of one word at least is the same."""
    code, title = entry.code, entry.title
    theirs = ids.classes[code].lower()
    stems = {word[:4] for word in re.findall(r"[a-z0-9]{3,}", title.lower())} - {"clas", "devi"}
    assert any(stem in theirs for stem in stems), (title, ids.classes[code])
