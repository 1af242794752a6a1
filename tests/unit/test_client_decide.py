"""The one decision on a device: its place first, then the rules, strictly."""

from __future__ import annotations

import pytest

from seatwright.client.config import Onboard, RuleLists, Rules, SocketRules
from seatwright.client.decide import Kind, Why, decide
from seatwright.client.messages import CATALOGUE, FALLBACK, Messages
from seatwright.usb.device import Device, Interface
from seatwright.usb.filter import decide as decide_as_usbredir
from seatwright.usb.filter import parse_rules
from seatwright.usb.portpath import PortPath, parse_port_path

STORAGE = Interface(8, 6, 80)
IMAGE = Interface(6, 1, 1)
HIDDEN_HID = Interface(3, 0, 0)
DRIVE = Device(0x1209, 0x0006, interfaces=(STORAGE,))
CAMERA = Device(0x1209, 0x0007, interfaces=(IMAGE,))
LAMP = Device(0x1209, 0x0008, interfaces=(Interface(255, 0, 0),))

ROOM = RuleLists(
    redirect=parse_rules("0x08,-1,-1,-1,1|-1,-1,-1,-1,0"),
    permitted=parse_rules("0x08,-1,-1,-1,1|0x06,-1,-1,-1,1"),
)
NOTHING = RuleLists(parse_rules("-1,-1,-1,-1,0"), parse_rules("-1,-1,-1,-1,0"))
ANYTHING = RuleLists(parse_rules("-1,-1,-1,-1,1"), parse_rules("-1,-1,-1,-1,1"))


def path(text: str) -> PortPath:
    return parse_port_path(text)


RULES = Rules(
    lists=ROOM,
    onboard=(
        Onboard(path("2-3"), "1209:0001", None),
        Onboard(path("2-3.4.2"), "1209:0002", "network"),
    ),
    sockets=(
        SocketRules("under the shelf", (path("2-3.1"),), NOTHING),
        SocketRules("below that hub", (path("2-3.1.2"), path("1-4")), ANYTHING),
    ),
    names={},
)


@pytest.mark.parametrize(
    ("device", "kind", "why"),
    [
        (DRIVE, Kind.REDIRECT, Why.BY_ITSELF),
        (CAMERA, Kind.OFFER, Why.WHEN_PICKED),
        (LAMP, Kind.KEEP, Why.NOT_NAMED),
    ],
)
def test_the_three_things_that_can_happen(device: Device, kind: Kind, why: Why) -> None:
    verdict = decide(RULES, path("1-2"), device)
    assert (verdict.kind, verdict.why) == (kind, why)


def test_an_onboard_place_is_kept_whatever_the_rules_say() -> None:
    everything = Rules(ANYTHING, RULES.onboard, (), {})
    adapter = Device(0x1209, 0x0002, interfaces=(Interface(2, 6, 0),))
    verdict = decide(everything, path("2-3.4.2"), adapter)
    assert (verdict.kind, verdict.why) == (Kind.KEEP, Why.ONBOARD)
    assert decide(everything, path("2-3.4.3"), adapter).kind is Kind.REDIRECT


def test_an_onboard_place_is_kept_whatever_the_id_says() -> None:
    everything = Rules(ANYTHING, RULES.onboard, (), {})
    assert decide(everything, path("2-3.4.2"), DRIVE).kind is Kind.KEEP


def test_an_onboard_hub_does_not_speak_for_what_is_plugged_in_below_it() -> None:
    assert decide(RULES, path("2-3"), DRIVE).kind is Kind.KEEP
    assert decide(RULES, path("2-3.2"), DRIVE).kind is Kind.REDIRECT


@pytest.mark.parametrize(
    ("place", "kind"),
    [
        ("2-3.1", Kind.KEEP),
        ("2-3.1.1", Kind.KEEP),  # an external hub in the socket
        ("2-3.1.2", Kind.REDIRECT),  # the longer path speaks
        ("2-3.1.2.4", Kind.REDIRECT),
        ("2-3.10", Kind.KEEP),  # not below 2-3.1
        ("1-4", Kind.REDIRECT),
        ("1-14", Kind.KEEP),  # not below 1-4 either
    ],
)
def test_the_longest_socket_path_decides(place: str, kind: Kind) -> None:
    assert decide(RULES, path(place), LAMP).kind is kind


def test_a_place_that_cannot_be_told_is_kept() -> None:
    assert decide(RULES, None, DRIVE).why is Why.NO_PLACE


def test_redirect_needs_both_lists() -> None:
    broken = Rules(RuleLists(ANYTHING.redirect, NOTHING.permitted), (), (), {})
    assert decide(broken, path("1-2"), DRIVE).kind is Kind.KEEP


def test_first_loophole_a_drive_with_a_hidden_hid_interface_stays() -> None:
    """usbredir passes it, since it does not look at non-boot HID in composite devices."""
    drive = Device(0x1209, 0x0009, interfaces=(STORAGE, HIDDEN_HID))
    assert decide_as_usbredir(ROOM.redirect, drive).allowed
    verdict = decide(RULES, path("1-2"), drive)
    assert (verdict.kind, verdict.why) == (Kind.KEEP, Why.NOT_NAMED)
    assert verdict.details == {"usb_class": "0x03"}


@pytest.mark.parametrize("device_class", [0x00, 0xEF])
def test_second_loophole_a_device_without_configuration_stays(device_class: int) -> None:
    """usbredir hands it over even under deny-all."""
    device = Device(0x1209, 0x000A, device_class=device_class, configured=False)
    bare = Device(0x1209, 0x000A, device_class=device_class)
    assert decide_as_usbredir(NOTHING.permitted, device).allowed
    everything = Rules(ANYTHING, (), (), {})
    assert decide(everything, path("1-2"), device).why is Why.NOT_CONFIGURED
    assert decide(everything, path("1-2"), bare).why is Why.NO_INTERFACES


def test_a_rule_that_denies_is_told_from_no_rule() -> None:
    denied = Rules(RuleLists(ROOM.redirect, parse_rules("0x08,-1,-1,-1,0")), (), (), {})
    assert decide(denied, path("1-2"), DRIVE).why is Why.DENIED


@pytest.mark.parametrize("language", ["en", "xx"])
def test_every_verdict_has_its_sentence(language: str) -> None:
    messages = Messages(language)
    devices = (DRIVE, CAMERA, LAMP, Device(1, 1), Device(1, 1, configured=False))
    places = (None, path("1-2"), path("2-3"), path("2-3.4.2"))
    seen = {messages.reason(decide(RULES, place, one)) for place in places for one in devices}
    assert "kept: onboard network adapter at 2-3.4.2" in seen
    assert "kept: part of this client at 2-3" in seen
    assert "kept: no rule speaks of class 0xff of this device" in seen
    for why in Why:
        assert str(why) in CATALOGUE[FALLBACK]
