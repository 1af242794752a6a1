"""policy/catalogue.py: the same answers as one decision at a time."""

from __future__ import annotations

from random import Random

import pytest

from seatwright.policy.catalogue import Catalogue, Shape
from seatwright.usb.device import Device, Interface
from seatwright.usb.filter import ANY, Rule, decide, decide_strict

VALUES = (0, 1, 2, 3, 0x1209)
IDS = [(vendor, product) for vendor in VALUES for product in VALUES if (vendor + product) % 3]
HID = Interface(3, 0, 0)
DEVICES = (
    Device(0, 0, 0x0100, interfaces=(Interface(8, 6, 80),)),
    Device(0, 0, 0x0110, interfaces=(Interface(8, 6, 80), HID)),
    Device(0, 0, 0x0100, interfaces=(HID, HID)),
    Device(0, 0, 0x0100, 0x02, interfaces=(Interface(2), Interface(10))),
    Device(0, 0, 0x0100, 0xEF, interfaces=(Interface(14), Interface(1))),
    Device(0, 0, 0x0100, 0x09),
    Device(0, 0, 0x0100, configured=False),
)
SHAPES = [Shape(device, strict) for device in DEVICES for strict in (False, True)]


def random_rules(random: Random) -> list[Rule]:
    return [
        Rule(
            random.choice((ANY, ANY, 1, 2, 3, 8, 9, 14)),
            random.choice((ANY, *VALUES)),
            random.choice((ANY, *VALUES)),
            random.choice((ANY, ANY, 0x0100, 0x0110)),
            random.random() < 0.6,
        )
        for _ in range(random.randrange(12))
    ]


def test_the_same_answers_as_one_decision_at_a_time() -> None:
    random = Random(11)
    catalogue = Catalogue(IDS)
    passed = kept = 0
    for _ in range(150):
        rules = random_rules(random)
        for shape, members in zip(SHAPES, catalogue.decide(rules, SHAPES), strict=True):
            one_by_one = decide_strict if shape.strict else decide
            expected = [one for one in catalogue.ids if one_by_one(rules, shape.of(*one)).allowed]
            assert list(catalogue.ids_in(members)) == expected, (rules, shape)
            passed += len(expected)
            kept += len(catalogue.ids) - len(expected)
    assert min(passed, kept) > 2_000


def test_ids_stand_once_and_in_order() -> None:
    catalogue = Catalogue([(2, 1), (1, 2), (2, 1)])
    assert catalogue.ids == ((1, 2), (2, 1))
    assert list(catalogue.ids_in(catalogue.all)) == [(1, 2), (2, 1)]
    assert list(catalogue.ids_in(0)) == []


@pytest.mark.parametrize("rules", [[], [Rule(vendor=7, allow=True)]])
def test_rules_that_name_no_id_of_the_catalogue_let_nothing_through(rules: list[Rule]) -> None:
    catalogue = Catalogue(IDS)
    storage = [Shape(DEVICES[0])]
    assert catalogue.decide(rules, storage) == [0]
    assert Catalogue([]).decide(rules, storage) == [0]
