"""policy/catalogue.py against libusbredirparser: room filters over every id of usb.ids."""

from __future__ import annotations

from random import Random

from redir_library import RedirLibrary
from room_filters import SHAPES, room_filters, system_catalogue

from seatwright.usb.filter import ANY

FILTERS = 15
IDS = 60
SEED = 20_240_303


def test_the_answers_are_the_librarys_at_named_ids_and_at_random_ones() -> None:
    random = Random(SEED)
    catalogue, library = system_catalogue(), RedirLibrary()
    assert len(catalogue.ids) > 15_000
    places = {one: place for place, one in enumerate(catalogue.ids)}
    passed = 0
    for rules in room_filters(random, catalogue, FILTERS):
        c_rules = library.rules(rules)
        named = {(rule.vendor, rule.product) for rule in rules if rule.product != ANY}
        asked = named | set(random.sample(catalogue.ids, IDS))
        for shape, members in zip(SHAPES, catalogue.decide(rules, SHAPES), strict=True):
            for one in asked:
                allowed = library.check(c_rules, shape.of(*one), 0) == 0
                assert bool(members >> places[one] & 1) == allowed, (rules, shape, one)
                passed += allowed
    assert passed > 1_000
