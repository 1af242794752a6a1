"""capacity/ports.py against QEMU itself: it takes what is planned at the limit, not one more.

Reference: QEMU 7.2 (Debian package qemu-system-x86), started stopped and without a disk.
"""

from __future__ import annotations

import subprocess

import pytest

from seatwright.capacity.ports import KINDS, PortPlan, most_ports, plan_ports

QEMU = ["qemu-system-x86_64", "-accel", "tcg", "-machine", "pc", "-m", "64", "-display", "none"]
QEMU += ["-nodefaults", "-S", "-monitor", "stdio"]

COMPANIONS = (("ich9-usb-uhci1", 0), ("ich9-usb-uhci2", 2), ("ich9-usb-uhci3", 4))


def controllers(plan: PortPlan, smaller: int = 0) -> list[str]:
    """Options for the planned controllers, each with its own PCI slot."""
    options = []
    for one in plan.controllers:
        slot = 3 + one.index
        if one.kind == "qemu-xhci":
            size = f"p2={one.ports - smaller},p3={one.ports - smaller}"
            options.append(f"qemu-xhci,id=usb{one.index},addr={slot:#x},{size}")
            continue
        options.append(f"ich9-usb-ehci1,id=usb{one.index},addr={slot:#x}.7,multifunction=on")
        options += [
            f"{model},masterbus=usb{one.index}.0,firstport={first},addr={slot:#x}.{function},"
            "multifunction=on"
            for function, (model, first) in enumerate(COMPANIONS)
        ]
    return [part for option in options for part in ("-device", option)]


def ports(places: list[tuple[int, str]]) -> list[str]:
    """Options for redirection ports at these places."""
    options = []
    for number, (bus, port) in enumerate(places):
        options += ["-chardev", f"null,id=c{number}"]
        options += ["-device", f"usb-redir,chardev=c{number},bus=usb{bus}.0,port={port}"]
    return options


def start(*options: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [*QEMU, *options], input="info usb\nquit\n", capture_output=True, text=True, timeout=60
    )


@pytest.mark.parametrize("kind", ["xhci", "ehci"])
def test_a_guest_with_every_planned_port_starts_without_a_hub(kind: str) -> None:
    plan = plan_ports(most_ports(KINDS[kind]), KINDS[kind])
    tablet = ["-device", "usb-tablet,bus=usb0.0,port=1"]
    places = [(port.bus, port.port) for port in plan.ports]
    ran = start(*controllers(plan), *tablet, *ports(places))
    assert ran.returncode == 0, ran.stderr
    assert ran.stdout.count("USB Redirection Device") == len(places)
    assert "Hub" not in ran.stdout
    assert "QEMU USB Tablet" in ran.stdout


@pytest.mark.parametrize(("kind", "beyond"), [("xhci", "16"), ("ehci", "7")])
def test_one_port_beyond_a_controller_does_not_start(kind: str, beyond: str) -> None:
    plan = plan_ports(1, KINDS[kind])
    ran = start(*controllers(plan), *ports([(0, beyond)]))
    assert ran.returncode != 0
    assert "not found" in ran.stderr


def test_a_sixteenth_port_is_cut_off_silently() -> None:
    """QEMU takes ``p2=16`` for 15, so asking for more must not reach it."""
    larger = controllers(plan_ports(1, KINDS["xhci"]), smaller=-1)
    assert start(*larger).returncode == 0
    ran = start(*larger, *ports([(0, "16")]))
    assert ran.returncode != 0
    assert "not found" in ran.stderr
