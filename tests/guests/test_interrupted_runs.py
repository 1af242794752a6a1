"""Runs that something gets in the way of: they say what is done, and the next one finishes."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from support.guest_module import begin, bring, planned, result
from support.libvirtd import Daemon, libvirtd
from support.real_guests import define, define_all

MANY = 40


@pytest.fixture
def own_hypervisor(tmp_path: Path) -> Iterator[Daemon]:
    """One that a test may kill; the QEMU driver keeps definitions on its disk."""
    with libvirtd(tmp_path, "qemu", "spice_tls = 1\n") as daemon:
        yield daemon


def guests(daemon: Daemon) -> list[dict]:
    names = [f"rr-{number:02}" for number in range(1, MANY + 1)]
    define_all(daemon, names)
    return [planned(name, 5900 + number) for number, name in enumerate(names, start=1)]


def is_done(daemon: Daemon, name: str) -> bool:
    """Whether the stored definition has our display; read without asking the daemon.

    The keeper's files are seen through it: they are in a namespace of its own.
    """
    stored = Path(f"/proc/{inner(daemon)}/root/etc/libvirt/qemu/{name}.xml")
    return "tlsPort=" in stored.read_text()


def inner(daemon: Daemon) -> str:
    """The first process of the namespace, by its number out here."""
    children = Path(f"/proc/{daemon.keeper.pid}/task/{daemon.keeper.pid}/children")
    return children.read_text().split()[0]


def hold_after(daemon: Daemon, planned_guests: list[dict], count: int):
    """A run that has done at least ``count`` guests, and stands still."""
    run = begin(daemon, planned_guests)
    deadline = time.monotonic() + 120
    while not is_done(daemon, planned_guests[count - 1]["name"]):
        assert time.monotonic() < deadline and run.poll() is None
        time.sleep(0.002)
    os.kill(run.pid, signal.SIGSTOP)
    assert not is_done(daemon, planned_guests[-1]["name"]), "too fast to be stopped half-way"
    return run


def test_libvirtd_killed_while_applying(own_hypervisor: Daemon) -> None:
    all_ = guests(own_hypervisor)
    run = hold_after(own_hypervisor, all_, 6)  # the sixth is stored, and perhaps not answered
    own_hypervisor.kill()
    os.kill(run.pid, signal.SIGCONT)
    told = result(run)
    assert told["failed"] and 5 <= len(told["guests"]) == told["done"] < MANY
    assert told["done"] + len(told["failed_guests"]) == MANY
    assert f"guests done: {told['done']}, not done: " in told["msg"]
    assert told["failed_guests"]["rr-40"] == "not tried: the connection to libvirt is lost"
    own_hypervisor.start()
    rest = bring(own_hypervisor, all_)
    changed = {name for name, one in rest["guests"].items() if one["changed"]}
    assert rest["failed_guests"] == {} and "rr-40" in changed
    assert changed <= told["failed_guests"].keys()  # what was done stays done
    assert not bring(own_hypervisor, all_)["changed"]


def test_a_guest_deleted_meanwhile(own_hypervisor: Daemon) -> None:
    all_ = guests(own_hypervisor)
    run = hold_after(own_hypervisor, all_, 5)
    own_hypervisor.virsh("undefine", "rr-39")
    os.kill(run.pid, signal.SIGCONT)
    told = result(run)
    assert told["failed_guests"].keys() == {"rr-39"}
    assert "Domain not found" in told["failed_guests"]["rr-39"]
    assert f"guests done: {MANY - 1}, not done: 1 (rr-39: " in told["msg"]
    own_hypervisor.virsh("domstate", "rr-39", said="failed to get domain")  # not made anew
    define(own_hypervisor, "rr-39")
    rest = bring(own_hypervisor, all_)
    assert {name for name, one in rest["guests"].items() if one["changed"]} == {"rr-39"}


def test_no_libvirt_at_all(own_hypervisor: Daemon) -> None:
    own_hypervisor.kill()
    told = bring(own_hypervisor, [planned("rr-01", 5901), planned("rr-02", 5902)])
    assert told["failed"] and told["msg"].endswith("guests not done: rr-01, rr-02")
