"""Regions, patterns and rules in words."""

from __future__ import annotations

import pytest

from seatwright.policy.algebra import compare, passes, with_device_class
from seatwright.policy.algebra.through import any_shape, only_class
from seatwright.policy.algebra.wording import NUMBERS, Names, region_words, through_words
from seatwright.usb.classes import class_name
from seatwright.usb.device import Interface
from seatwright.usb.filter import ANY, Rule

OWNED = {(0x1209, 4): "the film scanner", (0x1209, 5): "the headset"}
NAMES = Names(
    usb_class=class_name,
    device=lambda vendor, product: OWNED.get((vendor, product), f"{vendor:04x}:{product:04x}"),
)


def allow(usb_class: int = ANY, vendor: int = ANY, product: int = ANY, version: int = ANY) -> Rule:
    return Rule(usb_class, vendor, product, version, True)


def deny(usb_class: int = ANY, vendor: int = ANY, product: int = ANY, version: int = ANY) -> Rule:
    return Rule(usb_class, vendor, product, version)


CASES = (
    ([allow()], ["devices of any id, any version"]),
    ([allow(6, 0x1209, 4)], ["image devices of the film scanner, any version"]),
    ([allow(0x58, 0x1209, 7)], ["class 0x58 devices of 1209:0007, any version"]),
    ([allow(ANY, 0x1209, 5, 0x110)], ["devices of the headset, version 1.10"]),
    (
        [deny(ANY, 0x1209, 5, 0x110), allow(ANY, 0x1209, 5)],
        ["devices of the headset, any version but 1.10"],
    ),
    (
        [allow(8), allow(7)],
        ["devices of the classes printer and mass-storage of any id, any version"],
    ),
    ([deny(9), allow()], ["devices of any class but hub of any id, any version"]),
    ([allow(8, 0x1209)], ["mass-storage devices of 1209:*, any version"]),
    (
        [deny(ANY, 0x1209, 2), allow(8, 0x1209)],
        ["mass-storage devices of 1209:* but 0002, any version"],
    ),
    (
        [deny(ANY, 0x1209, 2), deny(ANY, 0x1209, 1), deny(ANY, 0xF001), allow(8)],
        ["mass-storage devices of any id but 1209:0001, 1209:0002 and f001:*, any version"],
    ),
    (
        [allow(8, 0x1209, 3), deny(ANY, 0x1209), allow(8)],
        ["mass-storage devices of any id but 1209:*, and of 1209:0003, any version"],
    ),
    ([allow(8, ANY, 3)], ["mass-storage devices of product 0003 of any vendor, any version"]),
    (
        [deny(ANY, 0x1209), allow(8, ANY, 3)],
        ["mass-storage devices of product 0003 of any vendor but 1209:*, any version"],
    ),
    (
        [deny(ANY, ANY, 3), allow(8)],
        ["mass-storage devices of all products but 0003 of any vendor, any version"],
    ),
    (
        [allow(ANY, 0x1209, number) for number in range(1, 10)],
        [
            "devices of 1209:0001, 1209:0002, 1209:0003, the film scanner, the headset, "
            "1209:0006 and 3 more, any version"
        ],
    ),
    (
        [allow(8), allow(ANY, 0x1209, 3)],
        [
            "devices of 1209:0003, any version",
            "mass-storage devices of any id but 1209:0003, any version",
        ],
    ),
)  # fmt: skip


@pytest.mark.parametrize(("rules", "words"), CASES)
def test_regions(rules: list[Rule], words: list[str]) -> None:
    regions = compare((), rules).gained
    assert [region_words(region, NAMES) for region in regions] == words


def test_numbers_where_nobody_names_anything() -> None:
    (region,) = compare((), [allow(6, 0x1209, 4)]).gained
    assert region_words(region, NUMBERS) == "class 0x06 devices of 1209:0004, any version"


def test_patterns() -> None:
    rules = [deny(9), allow(8), allow(ANY, 0x1209, 5)]
    storage = passes(rules, only_class(8), strict=True)
    assert through_words(storage, NAMES) == "always through"
    assert through_words(passes(rules, only_class(9), strict=True), NAMES) == "never through"
    audio = passes(rules, only_class(1), strict=True)
    assert through_words(audio, NAMES) == (
        "depends: through as the headset version 1.00 with audio, "
        "kept as f000:0001 version 1.00 with audio"
    )
    hubs = passes(rules, with_device_class(9), strict=False)
    assert through_words(hubs, NAMES) == "never through"
    vendors_own = passes(rules, with_device_class(0xFF, bare=False), strict=True)
    assert through_words(vendors_own, NAMES) == (
        "depends: through as the headset version 1.00, device class vendor-specific, "
        "with vendor-specific, kept as f000:0001 version 1.00, device class vendor-specific, "
        "with mass-storage"
    )


def test_a_device_that_the_plain_decision_does_not_look_at() -> None:
    answer = passes([deny()], any_shape(0x1209, 2), strict=False)
    assert through_words(answer, NAMES) == (
        "depends: through as 1209:0002 version 1.00 without interfaces, "
        "kept as 1209:0002 version 1.00 with vendor-specific"
    )
    assert answer.witness_through is not None and not answer.witness_through.configured


def test_a_skipped_interface_shows() -> None:
    answer = passes(
        [allow(8)],
        any_shape(None, None, bare=False),
        strict=False,
    )
    assert answer.witness_through is not None
    assert answer.witness_through.interfaces == (Interface(8, 1, 1),)
