"""A host's filter, tried from outside: devices are played into QEMU's redirection port with it.

The filter is the demo plan's, as QEMU is given it; the devices come over usbredir's protocol from a
peer that obeys no filter of its own.  Reference: QEMU, which attaches a device or refuses it.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import count
from pathlib import Path
from random import Random

import pytest

from seatwright.plan import Plan, PlannedRule, from_json
from seatwright.policy.proofs import plain
from seatwright.render.qemu import filter_text
from seatwright.twin.descriptors import Shape
from seatwright.twin.emulator import Emulator, Network, wait_until
from seatwright.twin.peer import Peer
from seatwright.usb.device import Device, Interface
from seatwright.usb.filter import decide

pytestmark = pytest.mark.hosts  # a network namespace needs root

PLAN = Path(__file__).parents[2] / "inventories" / "fennmoor" / "rendered" / "plan.json"
REFUSED = "rejected by device filter"
"""QEMU's redirect.c, usbredir_check_filter."""
SEEN = (0x03, 0x06, 0x07, 0x08, 0x0B, 0x0E, 0xFF)
EACH = 12


@pytest.fixture(scope="module")
def host(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Emulator]:
    """A QEMU with a controller and no port on it yet."""
    network = Network()
    options = ["-machine", "q35", "-m", "64", "-device", "qemu-xhci,id=usb0,p2=15,p3=15"]
    emulator = Emulator("host", tmp_path_factory.mktemp("played"), network, options)
    yield emulator
    emulator.kill()
    network.close()


def devices(rules: tuple[PlannedRule, ...], random: Random) -> Iterator[Device]:
    """Some of which a rule speaks, some with an interface more, and the two loopholes."""
    for _ in range(EACH):
        rule = random.choice(rules)
        usb_class = rule.usb_class if rule.usb_class > 0 else random.choice(SEEN)
        more = random.choices(SEEN, k=random.choice((0, 0, 1)))
        yield Device(
            vendor=rule.vendor if rule.vendor >= 0 else 0x1209,
            product=rule.product if rule.product >= 0 else random.choice((3, 7, 0xB)),
            bcd_device=rule.version if rule.version >= 0 else 0x0200,
            device_class=random.choice((0, 0xEF)),
            interfaces=tuple(Interface(one, 1, 1) for one in (usb_class, *more)),
        )
    storage, hidden = Interface(0x08, 6, 80), Interface(0x03, 0, 0)
    yield Device(0x1209, 7, 0x0100, 0, interfaces=(storage, hidden))
    yield Device(0x1209, 7, 0x0100, 0x03, interfaces=(storage,))


def arrives(host: Emulator, name: str, rules: str, device: Device) -> bool:
    """Whether QEMU attaches the device to a port with these rules."""
    line = host.log.with_name(f"{name}.line")
    address = {"type": "unix", "data": {"path": str(line)}}
    backend = {"type": "socket", "data": {"addr": address, "server": True, "wait": False}}
    host.qmp.ask("chardev-add", id=name, backend=backend)
    port = {"bus": "usb0.0", "port": "1", "filter": rules, "debug": 3}
    host.qmp.ask("device_add", driver="usb-redir", id=name, chardev=name, **port)
    before = host.said().count(REFUSED)

    def settled() -> str:
        if host.qmp.ask("qom-get", path=f"/machine/peripheral/{name}", property="attached"):
            return "attached"
        return "refused" if host.said().count(REFUSED) > before else ""

    peer = Peer(line, Shape(device, "Played"))
    try:
        return wait_until(f"answer about {device}", settled, 20, every=0.01) == "attached"
    finally:
        peer.close()
        host.qmp.ask("device_del", id=name)
        host.qmp.wait_event("DEVICE_DELETED", lambda data: data.get("device") == name)


def test_what_arrives_at_the_host_is_what_the_plan_permits(host: Emulator) -> None:
    plan: Plan = from_json(PLAN.read_bytes())
    random, names = Random(11), count(1)
    seen = []
    for rule_set in plan.rules.values():
        text = filter_text(rule_set.host)
        rules = plain(rule_set.host)
        for device in devices(rule_set.host, random):
            wanted = decide(rules, device).allowed
            assert arrives(host, f"port{next(names)}", text, device) is wanted, (device, text)
            seen.append(wanted)
    assert len(seen) >= 60
    assert min(seen.count(True), seen.count(False)) >= 15
