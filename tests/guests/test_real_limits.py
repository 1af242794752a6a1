"""What is planned, on libvirt's QEMU driver: it starts at the limit, and not one port beyond.

References: libvirt 9.0 and QEMU 7.2, as Debian 12 has them.
"""

from __future__ import annotations

import pytest

from seatwright.capacity.ports import KINDS, most_ports
from support.guest_module import bring, planned
from support.libvirtd import Daemon
from support.real_guests import TABLET, define, free_ports, redirection_filter, usb

MODEL = {"xhci": "qemu-xhci", "ehci": "ich9-ehci1"}
TWO = [
    {"class": 8, "vendor": 0x1209, "product": 3, "version": 0x0110, "allow": True},
    {"class": 9, "vendor": -1, "product": -1, "version": -1, "allow": False},
]


def redirections(lines: list[str]) -> list[str]:
    return [line for line in lines if "USB Redirection Device" in line]


@pytest.mark.parametrize("kind", ["xhci", "ehci"])
def test_a_guest_with_one_full_controller_starts_without_a_hub(
    hypervisor: Daemon, kind: str
) -> None:
    name = f"full-{kind}"
    define(hypervisor, name, own=TABLET.format(model=MODEL[kind]))
    (port,) = free_ports(1)
    guest = planned(name, port, KINDS[kind].ports - 1, kind)
    assert len(guest["controllers"]) == 1
    done = bring(hypervisor, [guest])
    assert done.get("failed") is None, done["text"]
    assert not bring(hypervisor, [guest])["changed"]
    hypervisor.virsh("start", name)
    devices = usb(hypervisor, name)
    assert len(redirections(devices)) == KINDS[kind].ports - 1
    assert not [line for line in devices if "Hub" in line]
    again = bring(hypervisor, [guest])
    assert not again["changed"] and again["guests"] == {}


@pytest.mark.parametrize(("kind", "beyond"), [("xhci", "16"), ("ehci", "7")])
def test_one_port_beyond_a_controller_is_refused(
    hypervisor: Daemon, kind: str, beyond: str
) -> None:
    name = f"over-{kind}"
    define(hypervisor, name)
    guest = planned(name, free_ports(1)[0], 1, kind)
    guest["ports"] = [{"number": 1, "bus": 0, "port": beyond}]
    before = hypervisor.virsh("dumpxml", "--inactive", name)
    done = bring(hypervisor, [guest])
    assert list(done["failed_guests"]) == [name], done["text"]
    assert hypervisor.virsh("dumpxml", "--inactive", name) == before


def test_ports_without_addresses_get_a_slow_hub_which_is_why_ours_have_some(
    hypervisor: Daemon,
) -> None:
    """libvirt inserts a USB 1.1 hub by itself where a controller is short of ports."""
    ports = "<redirdev bus='usb' type='spicevmc'/>" * 5
    controller = "<controller type='usb' index='0' model='qemu-xhci' ports='4'/>"
    define(hypervisor, "short", own=controller + ports)
    assert "<hub type='usb'>" in hypervisor.virsh("dumpxml", "--inactive", "short")


@pytest.mark.parametrize("kind", ["xhci", "ehci"])
def test_every_port_that_a_guest_may_have_starts(hypervisor: Daemon, kind: str) -> None:
    """The most that is planned for any guest, over several controllers."""
    name = f"most-{kind}"
    define(hypervisor, name, own=TABLET.format(model=MODEL[kind]))
    most = most_ports(KINDS[kind])
    done = bring(hypervisor, [planned(name, free_ports(1)[0], most, kind)])
    assert done.get("failed") is None, done["text"]
    hypervisor.virsh("start", name)
    devices = usb(hypervisor, name)
    assert len(redirections(devices)) == most
    assert not [line for line in devices if "Hub" in line]
    hypervisor.virsh("destroy", name)


def test_a_port_beyond_the_most_is_one_that_no_plan_has() -> None:
    with pytest.raises(ValueError, match="do not fit"):
        planned("too-many", 1, most_ports(KINDS["xhci"]) + 1)


def test_the_filter_arrives_at_qemu_field_by_field(hypervisor: Daemon) -> None:
    define(hypervisor, "filtered")
    guest = planned("filtered", free_ports(1)[0], 2, rules="two")
    done = bring(hypervisor, [guest], filters={"two": TWO})
    assert done.get("failed") is None, done["text"]
    hypervisor.virsh("start", "filtered")
    for alias in ("redir0", "redir1"):
        assert redirection_filter(hypervisor, "filtered", alias) == (
            "0x08:0x1209:0x0003:0x0110:1|0x09:-1:-1:-1:0"
        )
