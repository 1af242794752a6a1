"""Which devices reach the guest, on a real kernel's USB: by the guest's own account.

References: QEMU 7.2's USB devices and its account of redirected ones (QMP), Linux's USB core.
"""

from __future__ import annotations

import time

import pytest
from shapes import CASES, Case
from twin_bench import DRIVE, Bench

from seatwright.client.decide import Kind, decide
from seatwright.twin.emulator import wait_until
from seatwright.usb.portpath import parse_port_path

TIMES = 6
LONG_TIMES = 200
WARM_UP = 3
"""Plugs after which the library has all the files open that it keeps."""


def test_a_drive_that_was_there_before_the_session(booted: Bench) -> None:
    """The first test: the fixture has plugged it in before the session began."""
    booted.twin.client.wait_state("shown", 180)
    booted.arrives(1, DRIVE)
    assert booted.twin.guest.arrivals() == [DRIVE]
    booted.calm()


def press(bench: Bench, *keys: str) -> None:
    """Keys at the client's own keyboard."""
    held = [{"type": "qcode", "data": key} for key in keys]
    bench.twin.client.emulator.qmp.ask("send-key", keys=held)


def move(bench: Bench, x: int, y: int) -> None:
    """The client's own pointer, somewhere else (0 to 32767)."""
    events = [
        {"type": "abs", "data": {"axis": axis, "value": value}}
        for axis, value in (("x", x), ("y", y))
    ]
    bench.twin.client.emulator.qmp.ask("input-send-event", events=events)


def test_whatever_has_the_focus(bench: Bench) -> None:
    """A drive arrives with the pointer anywhere, the guest's keys grabbed, or the picker open."""
    for place, prepare in (
        ("1-1", lambda: move(bench, 5, 5)),
        ("1-2", lambda: press(bench, "a")),
        ("2-3.1", lambda: press(bench, "ctrl", "alt", "u")),
    ):
        prepare()
        bench.plug(place)
    bench.arrives(3, DRIVE, DRIVE, DRIVE)
    press(bench, "esc")


@pytest.mark.parametrize("times", [TIMES, pytest.param(LONG_TIMES, marks=pytest.mark.long)])
def test_plugged_and_pulled_again_and_again(bench: Bench, times: int) -> None:
    """Memory is looked at twice: an allocator takes a piece once, a leak grows all the time."""
    client = bench.twin.client

    def holds() -> tuple[int, int]:
        """Files and kB of memory that the session holds."""
        pid = client.session_pid()
        files = client.shell(f"ls /proc/{pid}/fd | wc -l")
        memory = client.shell(f"grep VmRSS /proc/{pid}/status").split()[1]
        return int(files), int(memory)

    def once() -> None:
        bench.plug("1-1")
        bench.attached(1)
        bench.pull("1-1")
        bench.attached(0)

    for _ in range(WARM_UP):
        once()
    bench.arrives(0)
    seen = [holds()]
    for _ in range(2):
        for _ in range(times // 2):
            once()
        bench.arrives(0)
        seen.append(holds())
    (files, before), (_, between), (files_after, after) = seen
    print(f"{times} times: {files} → {files_after} files, {before}, {between}, {after} kB")
    assert files_after <= files
    assert min(between - before, after - between) < 500 + 5 * times, "kB"


def test_pulled_before_it_is_handed_over(bench: Bench) -> None:
    """At any moment of the handover; no port is lost by it, and the next device arrives."""
    for tenths in range(8):
        bench.plug("1-1")
        time.sleep(tenths / 10)
        bench.pull("1-1")
    bench.arrives(0)
    for place in ("1-1", "1-2", "1-3", "1-4"):
        bench.plug(place)
    bench.arrives(4, *[DRIVE] * 4)


def test_keyboard_mouse_and_hubs_stay_and_what_is_behind_a_hub_does_not(bench: Bench) -> None:
    client = bench.twin.client
    since = client.cursor()
    bench.plug("1-1", "hub")
    ready = "test -e /sys/bus/usb/devices/1-1:1.0/driver"
    wait_until("hub", lambda: client.run("sh", "-c", ready).code == 0, 20)
    bench.plug("1-1.2", "mouse")
    bench.event("device-keep", since, "1-1.2")
    bench.plug("1-1.3")
    bench.arrives(1, DRIVE)
    kept = {
        line["SEATWRIGHT_PORT"]: line["SEATWRIGHT_WHY"]
        for line in client.events()
        if line["SEATWRIGHT_EVENT"] == "device-keep"
    }
    assert kept["1-15"] == kept["1-14"] == kept["1-1.2"] == "why-not-named"
    assert kept["2-3.4.2"] == "why-onboard"
    devices = "/sys/bus/usb/devices"
    drivers = client.shell(f"readlink {devices}/1-15:1.0/driver {devices}/2-3:1.0/driver")
    assert [line.rpartition("/")[2] for line in drivers.splitlines()] == ["usbhid", "hub"]


def test_the_fifth_device_takes_the_next_free_port(bench: Bench) -> None:
    since = bench.twin.client.cursor()
    for place in ("1-1", "1-2", "1-3", "1-4"):
        bench.plug(place)
    bench.arrives(4, *[DRIVE] * 4)
    bench.plug("1-5")
    line = bench.event("no-port", since, "1-5")
    assert line["SEATWRIGHT_HOLDERS"].count(",") == 3
    bench.twin.client.wait_ids(DRIVE, which="waiting")
    bench.pull("1-2")
    bench.arrives(4, *[DRIVE] * 4)
    bench.twin.client.wait_ids(which="waiting")

    def moved_up() -> bool:
        places = {one["port"] for one in bench.twin.client.state()["redirected"]}
        return places == {"1-1", "1-3", "1-4", "1-5"}

    wait_until("fifth device in place of the pulled one", moved_up, 20)


def test_more_kinds_go_and_stay_by_the_policy(bench: Bench) -> None:
    """What the emulator has beside drives; only the media player is offered, all else stays."""
    since = bench.twin.client.cursor()
    for place, kind in (
        ("1-1", "serial"),
        ("1-2", "audio"),
        ("1-3", "card-reader"),
        ("1-4", "player"),
        ("1-5", "network-adapter"),
    ):
        bench.plug(place, kind)
    for place in ("1-1", "1-2", "1-3", "1-5"):
        bench.event("device-keep", since, place)
    bench.event("device-offer", since, "1-4")
    bench.arrives(0)
    bench.connection_lives()


BATCHES = [CASES[start : start + 4] for start in range(0, len(CASES), 4)]


@pytest.mark.parametrize("batch", BATCHES, ids=lambda batch: batch[0].what)
def test_what_arrives_is_what_the_strict_decision_says(
    bench: Bench, batch: tuple[Case, ...]
) -> None:
    client, guest = bench.twin.client, bench.twin.guest
    since, before = client.cursor(), len(guest.arrivals())
    for case in batch:
        bench.play(case.place, case.shape)
    for case in batch:
        verdict = decide(bench.rules, parse_port_path(case.place), case.shape.device)
        assert (verdict.kind is Kind.REDIRECT) == (case.arrives or case.by_node), case.what
        bench.event(f"device-{verdict.kind}", since, case.place)
        if case.by_node:
            bench.event("device-busy", since, case.place)
    arriving = [case.shape.device for case in batch if case.arrives]
    ids = [f"{one.vendor:04x}:{one.product:04x}" for one in arriving]
    bench.arrives(len(ids), *ids)
    wait_until("arrivals", lambda: sorted(guest.arrivals()[before:]) == sorted(ids), 10)


def test_there_are_enough_shapes() -> None:
    assert len(CASES) >= 20
