"""How a model is built from the emulator's parts, before anything boots."""

from __future__ import annotations

from pathlib import Path

import pytest
from msgspec.structs import replace

from seatwright.commands.planned import plan_site
from seatwright.plan import Plan, PlannedSocket
from seatwright.render.qemu import filter_text
from seatwright.twin.errors import TwinError
from seatwright.twin.rehearse import trials
from seatwright.twin.standins import with_stand_ins
from seatwright.twin.wiring import ADAPTER, HUB, KEYBOARD, POINTER, wire

DEMO = Path(__file__).parents[2] / "inventories/fennmoor/site.yml"


@pytest.fixture(scope="module")
def demo() -> Plan:
    return plan_site(DEMO).planned.plan


def test_hubs_come_before_what_is_behind_them(demo: Plan) -> None:
    wiring = wire(demo.models["ridge"])
    assert wiring.on_usb
    assert [(str(one.path), one.part) for one in wiring.fitted] == [
        ("2-3", HUB),
        ("2-3.4", HUB),
        ("2-3.4.2", ADAPTER),
    ]
    assert [(str(one.path), one.part) for one in wiring.people] == [
        ("1-15", KEYBOARD),
        ("1-14", POINTER),
    ]
    options = list(wiring.options())
    assert wiring.buses == 2  # a socket counts with its first port path
    assert options[0] == "qemu-xhci,id=bus1,p2=15,p3=0,addr=0x10"
    assert options[-4] == "usb-hub,id=at-2-3-4,bus=bus2.0,port=3.4"
    assert options[-3] == "usb-net,id=at-2-3-4-2,bus=bus2.0,port=3.4.2,netdev=uplink"


def test_a_client_with_its_adapter_elsewhere_has_none_on_usb(demo: Plan) -> None:
    wiring = wire(demo.models["vale"])
    assert not wiring.on_usb
    assert [(str(one.path), one.part) for one in wiring.fitted] == [("1-4", KEYBOARD)]


@pytest.mark.parametrize("path", ["1-16", "8-1", "1-2.9"])
def test_what_the_emulator_cannot_build_is_said(demo: Plan, path: str) -> None:
    socket = PlannedSocket(label="far", ports=(path,), speed="high")
    with pytest.raises(TwinError, match=path):
        wire(replace(demo.models["ridge"], sockets=(socket,)))


def test_a_hub_that_only_leads_to_a_socket_is_there_too(demo: Plan) -> None:
    socket = PlannedSocket(label="far", ports=("1-2.3",), speed="high")
    wiring = wire(replace(demo.models["vale"], sockets=(socket,)))
    assert ("1-2", HUB) in [(str(one.path), one.part) for one in wiring.fitted]


def test_stand_ins_are_protected_as_what_they_stand_for(demo: Plan) -> None:
    planned = with_stand_ins(demo, "ridge")
    assert [f"{one.vendor:04x}:{one.product:04x}" for one in planned.models["ridge"].onboard] == [
        "0409:55aa",
        "0409:55aa",
        "0525:a4a2",
    ]
    rules = planned.rules[planned.guests["rr-01"].rules]
    assert filter_text(rules.host).startswith(
        "0x09:-1:-1:-1:0|-1:0x0409:0x55aa:-1:0|-1:0x0525:0xa4a2:-1:0|"
    )
    others = {name: one for name, one in planned.rules.items() if one.model != "ridge"}
    assert others == {name: demo.rules[name] for name in others}


def test_what_is_tried_is_what_the_policy_says(demo: Plan) -> None:
    """Of the demo's readers: the socket under the shelf is for headsets, all others for drives."""
    wanted = {(one.peripheral, one.place): one for one in trials(demo, "rr-01")}
    assert {name for name, _ in wanted} == set(demo.peripherals)
    arrives = {key for key, one in wanted.items() if one.arrives}
    assert arrives == {("headset", "under the shelf"), ("loan-drive", "beside the lamp")}
    headset = wanted["headset", "under the shelf"]
    assert (headset.port, headset.shape.device.bcd_device) == ("2-3.1", 0x0110)
