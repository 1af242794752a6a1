"""The filter that libvirt hands QEMU decides as the plan says, on every rule set of the demo site.

From the plan through the inventory's notation, the role's module, libvirt's own writing of it and
QEMU's property, then judged by libusbredirparser: the code that QEMU itself asks.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from random import Random
from typing import Any

import pytest
from ansible.parsing.dataloader import DataLoader
from random_pairs import random_device
from redir_library import RedirLibrary, result_of

from seatwright.plan import Plan, from_json
from seatwright.policy.proofs import plain
from seatwright.usb.device import Device, Interface
from seatwright.usb.filter import Rule, decide
from support.guest_module import bring, planned
from support.libvirtd import Daemon, libvirtd
from support.real_guests import define, free_ports, redirection_filter
from support.tls import make_certificates

RENDERED = Path(__file__).parents[2] / "inventories" / "fennmoor" / "rendered"
DEVICES = 2_000


@pytest.fixture(scope="module")
def hypervisor(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Daemon]:
    folder = tmp_path_factory.mktemp("libvirt")
    make_certificates(folder / "x509")
    settings = f'spice_tls = 1\nspice_tls_x509_cert_dir = "{folder / "x509"}"\n'
    with libvirtd(folder, "qemu", settings) as daemon:
        yield daemon


def told(what: str) -> list[Any]:
    """A variable of every host that has it, as the inventory tells it."""
    read = DataLoader().load_from_file
    hosts = [read(str(path)) for path in sorted(RENDERED.glob("host_vars/*.yml"))]
    return [one[what] for one in hosts if what in one]


def rules_of(plan: Plan, name: str) -> list[Rule]:
    return list(plain(plan.rules[name].host))


def near(rules: list[Rule], random: Random) -> Device:
    """A device that a rule speaks of, with an interface more or less."""
    rule = random.choice(rules)
    kind = rule.usb_class if rule.usb_class >= 0 else random.choice((3, 8, 14))
    classes = [kind, *random.choices((0, 1, 3, 8, 9, 14, 255), k=random.randrange(3))]
    version = rule.version if rule.version >= 0 and random.random() < 0.7 else 0x0200
    return Device(
        vendor=rule.vendor if rule.vendor >= 0 else 0x1209,
        product=rule.product if rule.product >= 0 else random.choice((2, 3, 0xB)),
        bcd_device=version,
        device_class=random.choice((0, 0, 0, kind, 0xEF)),
        interfaces=tuple(Interface(one, 0, 0) for one in classes),
    )


def test_qemu_s_filter_decides_like_the_plan(hypervisor: Daemon) -> None:
    plan = from_json((RENDERED / "plan.json").read_bytes())
    filters = {name: rules for one in told("guest_ports_filters") for name, rules in one.items()}
    names = {f"guest-{number}": rules for number, rules in enumerate(sorted(filters))}
    assert len(names) >= 5
    ports = free_ports(len(names))
    for name in names:
        define(hypervisor, name)
    guests = [
        planned(name, port, 1, rules=rules)
        for port, (name, rules) in zip(ports, names.items(), strict=True)
    ]
    assert bring(hypervisor, guests, filters=filters)["failed_guests"] == {}
    for name, rule_set in names.items():
        hypervisor.virsh("start", name)
        text = redirection_filter(hypervisor, name, "redir0")
        decides_like(text, rules_of(plan, rule_set))
        hypervisor.virsh("destroy", name)


def test_a_filter_under_plain_qemu_decides_like_the_plan() -> None:
    """What stands on QEMU's command line; tests/guests/test_plain_qemu.py sees that it arrives."""
    plan = from_json((RENDERED / "plan.json").read_bytes())
    guests = [guest for one in told("guest_units_guests") for guest in one]
    assert guests
    for options, name in {guest["options"]: guest["name"] for guest in guests}.items():
        text = options.removeprefix("-global usb-redir.filter=")
        decides_like(text, rules_of(plan, plan.guests[name].rules))


def decides_like(text: str, rules: list[Rule]) -> None:
    """QEMU's own decision with a filter's text beside ours with the plan's rules."""
    library, random, seen = RedirLibrary(), Random(5), set()
    parsed = library.parse(text.encode(), b":", b"|")
    assert parsed is not None, text
    at_qemu = library.rules([Rule(*one[:4], bool(one[4])) for one in parsed])
    for number in range(DEVICES):
        device = near(rules, random) if number % 2 else random_device(random)
        ours = result_of(decide(rules, device))
        assert library.check(at_qemu, device, 0) == ours, (device, text)
        seen.add(ours)
    assert len(seen) == 3, (text, seen)  # allowed, denied, no rule
