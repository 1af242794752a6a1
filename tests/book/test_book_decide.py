"""The decision in the page is usb/filter.py's: oracle cases and 100,000 random ones in Chromium."""

from __future__ import annotations

import json
import sys
from collections import Counter
from pathlib import Path
from random import Random

from playwright.sync_api import Page

sys.path.insert(0, str(Path(__file__).parents[1] / "oracle"))

from book_pages import Open
from random_pairs import random_device, random_rules

from seatwright.usb.device import Device, Interface
from seatwright.usb.filter import ANY, Decision, Reason, Rule, decide, decide_strict

SEED = 20_261_125
LISTS, DEVICES_PER_LIST, CHUNK = 10_000, 10, 1_000

# One line for each device, its five decisions as short words: less to carry than the values.
ASK = """(text) => {
  const word = ({ allowed, reason, rule, checks, skipped }) => [
    Number(allowed), reason, rule ?? "-", skipped.join("."),
    checks.map((one) => [
      one.interface ?? "-", one.usbClass, one.rule ?? "-", Number(one.allowed),
    ].join(":")).join(","),
  ].join(" ");
  const ways = [[false, false], [false, true], [true, false], [true, true]];
  const lines = [];
  for (const [rules, devices] of JSON.parse(text)) {
    for (const device of devices) {
      const plain = ways.map(([allow, strict]) => seatwright.decide(rules, device, allow, strict));
      lines.push([...plain, seatwright.decideStrict(rules, device)].map(word).join(" | "));
    }
  }
  return lines.join("\\n");
}"""


def as_rule(rule: Rule) -> list[int]:
    return [rule.usb_class, rule.vendor, rule.product, rule.version, int(rule.allow)]


def as_device(device: Device) -> dict[str, object]:
    return {
        "vendor": device.vendor,
        "product": device.product,
        "bcdDevice": device.bcd_device,
        "deviceClass": device.device_class,
        "configured": device.configured,
        "interfaces": [[i.usb_class, i.subclass, i.protocol] for i in device.interfaces],
    }


def word(decision: Decision) -> str:
    """A decision with all its reasons, as the page words it."""
    checks = ",".join(
        f"{_or_none(check.interface)}:{check.usb_class}:{_or_none(check.rule)}:{check.allowed:d}"
        for check in decision.checks
    )
    skipped = ".".join(map(str, decision.skipped))
    rule = _or_none(decision.rule)
    return f"{decision.allowed:d} {decision.reason.value} {rule} {skipped} {checks}"


def _or_none(number: int | None) -> str:
    return "-" if number is None else str(number)


def ours(rules: tuple[Rule, ...], device: Device) -> list[Decision]:
    ways = ((False, False), (False, True), (True, False), (True, True))
    plain = [decide(rules, device, default_allow=a, strict=s) for a, s in ways]
    return [*plain, decide_strict(rules, device)]


def compare(
    page: Page, pairs: list[tuple[tuple[Rule, ...], list[Device]]], seen: Counter[Reason]
) -> None:
    """Every decision, with all its reasons."""
    sent = [[list(map(as_rule, rules)), list(map(as_device, devices))] for rules, devices in pairs]
    theirs = iter(page.evaluate(ASK, json.dumps(sent)).split("\n"))
    for rules, devices in pairs:
        for device in devices:
            decided = ours(rules, device)
            assert next(theirs) == " | ".join(map(word, decided)), (rules, device)
            seen.update(one.reason for one in decided)


def test_100_000_random_devices_are_decided_alike(demo: Path, open_book: Open) -> None:
    page, random, seen = open_book(demo), Random(SEED), Counter[Reason]()
    for _ in range(LISTS // CHUNK):
        pairs = [
            (random_rules(random), [random_device(random) for _ in range(DEVICES_PER_LIST)])
            for _ in range(CHUNK)
        ]
        compare(page, pairs, seen)
    # Every reason came up often, or the comparison would say little.
    assert all(seen[reason] > 1_000 for reason in Reason if reason is not Reason.NO_INTERFACES)


PASS, DENY = Rule(ANY, ANY, ANY, ANY, True), Rule()
STORAGE, HID_000 = Interface(8, 6, 80), Interface(3, 0, 0)

# What tests/oracle found out about the library: its two loopholes and their neighbours.
CASES = [
    ((Rule(8, allow=True), DENY), Device(0x1209, 3, interfaces=(STORAGE, HID_000))),
    ((Rule(3, allow=False), PASS), Device(0x1209, 5, interfaces=(Interface(1, 1, 0), HID_000))),
    ((Rule(3, allow=False), PASS), Device(0x1209, 5, interfaces=(HID_000, HID_000))),
    ((DENY,), Device(0x1209, 3, device_class=0)),
    ((DENY,), Device(0x1209, 3, device_class=0xEF, configured=False)),
    ((DENY,), Device(0x1209, 3, device_class=0xFF)),
    ((), Device(0x1209, 3, interfaces=(STORAGE,))),
    ((Rule(8, 0x1209, 3, 0x0110, True),), Device(0x1209, 3, 0x0111, interfaces=(STORAGE,))),
    ((Rule(8, 0x1209, 3, 0x0110, True),), Device(0x1209, 3, 0x0110, interfaces=(STORAGE,))),
    ((PASS,), Device(0xFFFF, 0xFFFF, 0xFFFF, 0xFF, interfaces=(Interface(0xFF, None, None),))),
]


def test_what_the_oracle_found_is_decided_alike(demo: Path, open_book: Open) -> None:
    seen = Counter[Reason]()
    compare(open_book(demo), [(rules, [device]) for rules, device in CASES], seen)
    assert seen[Reason.NO_INTERFACES] and seen[Reason.NOTHING_CHECKED]
