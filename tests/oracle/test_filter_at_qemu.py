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
import yaml
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


def told() -> dict[str, Any]:
    """The filters of every host, as the inventory tells them."""
    filters: dict[str, Any] = {}
    for path in sorted(RENDERED.glob("host_vars/*.yml")):
        filters |= yaml.safe_load(path.read_text())["guest_ports_filters"]
    return filters


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
    filters, library, random = told(), RedirLibrary(), Random(5)
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
        parsed = library.parse(text.encode(), b":", b"|")
        assert parsed is not None, text
        at_qemu = library.rules([Rule(*one[:4], bool(one[4])) for one in parsed])
        rules, seen = rules_of(plan, rule_set), set()
        for number in range(DEVICES):
            device = near(rules, random) if number % 2 else random_device(random)
            ours = result_of(decide(rules, device))
            assert library.check(at_qemu, device, 0) == ours, (rule_set, device, text)
            seen.add(ours)
        assert len(seen) == 3, (rule_set, seen)  # allowed, denied, no rule
        hypervisor.virsh("destroy", name)
