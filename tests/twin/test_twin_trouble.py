"""Broken filters, hosts that go away, wrong secrets: on the twin, over its own USB adapter."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from dataclasses import replace

import pytest
from twin_bench import DRIVE, RULES, Bench, as_object

from seatwright.twin.emulator import wait_until

BACK = 8.0
"""Seconds within which a seat is back after its host: README's 5, and what an emulated one takes
longer for TLS."""
NOTICED = 30
"""Seconds without a cable after which the session has noticed (TCP_USER_TIMEOUT, 25 s)."""
EVERYTHING = "-1,-1,-1,-1,1"


@pytest.fixture
def broken(bench: Bench) -> Iterator[Bench]:
    """The bench with a rules file that a test may break; it is mended afterwards."""
    before = bench.twin.client.shell(f"cat {RULES}")
    yield bench
    bench.twin.client.write(RULES, before)
    bench.twin.client.restart_session()
    bench.twin.client.wait_state("shown")


def break_rules(bench: Bench, **changes: object) -> str:
    """Change the rules by hand, as somebody with root could; from when on to read the journal."""
    client = bench.twin.client
    rules = as_object(client.shell(f"cat {RULES}"))
    client.write(RULES, json.dumps({**rules, **changes}))
    since = client.cursor()
    client.restart_session()
    client.wait_state("shown")
    return since


def test_what_takes_everything_does_not_take_the_adapter(broken: Bench) -> None:
    """A filter that does is held back by the port path; a session that does may not open it."""
    everything = {"redirect": EVERYTHING, "permitted": EVERYTHING, "sockets": []}
    since = break_rules(broken, **everything)
    line = broken.event("device-keep", since, "2-3.4.2")
    assert line["SEATWRIGHT_WHY"] == "why-onboard"
    broken.connection_lives()
    since = break_rules(broken, **everything, onboard=[])
    for port in ("2-3.4.2", "1-14", "1-15"):
        broken.event("device-redirect", since, port)
        broken.event("device-busy", since, port)
    broken.arrives(0)
    broken.plug("1-1")
    broken.arrives(1, DRIVE)
    broken.connection_lives()


def test_the_hosts_filter_refuses_what_the_client_permits(bench: Bench) -> None:
    since = bench.twin.client.cursor()
    spec = bench.twin.guest.spec
    bench.twin.guest.stop()
    bench.twin.guest.start(replace(spec, filter="0x06:-1:-1:-1:1"))
    bench.twin.client.wait_state("waiting")
    bench.twin.client.wait_state("shown")
    bench.plug("1-1")
    bench.event("device-refused", since, "1-1")
    assert bench.twin.guest.attached() == 0
    bench.pull("1-1")
    bench.twin.guest.stop()
    bench.twin.guest.start(spec)
    bench.twin.client.wait_state("waiting")


def seconds_until(bench: Bench, event: str, since: str, began: float) -> float:
    """From a moment to an event, both by the client's clock."""
    line = bench.event(event, since)
    return int(line["__REALTIME_TIMESTAMP"]) / 1e6 - began


def test_the_guest_is_killed_and_comes_back(bench: Bench) -> None:
    client, guest = bench.twin.client, bench.twin.guest
    bench.plug("1-1")
    bench.arrives(1, DRIVE)
    since = client.cursor()
    guest.stop()
    client.wait_state("waiting")
    guest.start()
    began = client.clock()
    took = seconds_until(bench, "connected", since, began)
    bench.arrives(1, DRIVE)
    back = seconds_until(bench, "device-arrived", since, began)
    print(f"connected {took:.1f} s, device back {back:.1f} s after the host's return")
    assert took < BACK


@pytest.mark.parametrize("seconds", [NOTICED, pytest.param(60, marks=pytest.mark.long)])
def test_the_cable_is_out(bench: Bench, seconds: int) -> None:
    client = bench.twin.client
    bench.plug("1-1")
    bench.arrives(1, DRIVE)
    pulled, since = time.monotonic(), client.cursor()
    client.set_link(False)
    client.wait_state("waiting", 60)
    print(f"noticed {time.monotonic() - pulled:.0f} s after the cable was pulled")
    time.sleep(max(0, pulled + seconds - time.monotonic()))
    began = client.clock()
    client.set_link(True)
    took = seconds_until(bench, "connected", since, began)
    bench.arrives(1, DRIVE)
    back = seconds_until(bench, "device-arrived", since, began)
    print(f"connected {took:.1f} s, device back {back:.1f} s after the cable's return")
    assert took < BACK


@pytest.mark.parametrize("wrong", ["password", "certificate"])
def test_a_wrong_secret_is_told_and_forgiven(bench: Bench, wrong: str) -> None:
    client, guest = bench.twin.client, bench.twin.guest
    spec = guest.spec
    old = bench.twin.certificates("old", days=-1) if wrong == "certificate" else spec.certificates
    guest.stop()
    guest.start(replace(spec, certificates=old, password="other" if wrong == "password" else ""))
    wait_until(f"error '{wrong}'", lambda: client.state().get("last_error") == wrong, 60, 0.5)
    guest.stop()
    guest.start(spec)
    client.wait_state("shown", 90)
