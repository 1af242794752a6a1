"""Running guests on libvirt's QEMU driver: what is done live, what waits, and restarts."""

from __future__ import annotations

import socket
from pathlib import Path

import pytest

from support.guest_module import NOTHING, bring, planned
from support.libvirtd import Daemon
from support.real_guests import define, free_ports, process_list, usb
from support.tls import make_certificates

ALLOW = [{"class": 8, "vendor": -1, "product": -1, "version": -1, "allow": True}]
FILTERS = {"none": NOTHING, "storage": ALLOW}


def start(hypervisor: Daemon, name: str, ports: int = 2) -> dict:
    """A running guest that is as planned."""
    define(hypervisor, name)
    guest = planned(name, free_ports(1)[0], ports)
    bring(hypervisor, [guest])
    hypervisor.virsh("start", name)
    return guest


def pid(hypervisor: Daemon, name: str) -> str:
    """Another one after every start."""
    return hypervisor.virsh("domid", name).strip()


def test_ports_are_added_live_where_that_is_asked_for(hypervisor: Daemon) -> None:
    guest = start(hypervisor, "grows")
    before, run = usb(hypervisor, "grows"), pid(hypervisor, "grows")
    more = planned("grows", guest["spice_port"], 4)
    first = bring(hypervisor, [more])
    told = first["guests"]["grows"]
    assert (
        told["behind"]
        == told["live"]
        == [
            "+ redirection port: controller 0 port 4",
            "+ redirection port: controller 0 port 5",
        ]
    )
    assert usb(hypervisor, "grows") == before
    checked = bring(hypervisor, [more], live_ports=True, restart="now", check=True)
    assert checked["changed"] and usb(hypervisor, "grows") == before
    assert checked["guests"]["grows"]["behind"] == [] and "said" not in checked["guests"]["grows"]
    second = bring(hypervisor, [more], live_ports=True)
    assert second["changed"] and second["guests"]["grows"]["behind"] == []
    after = usb(hypervisor, "grows")
    assert len(after) == len(before) + 2 and not [line for line in after if "Hub" in line]
    assert pid(hypervisor, "grows") == run
    assert not bring(hypervisor, [more], live_ports=True)["changed"]


def test_a_filter_waits_for_a_restart_that_is_asked_for(hypervisor: Daemon) -> None:
    guest = {**start(hypervisor, "waits"), "filter": "storage"}
    run = pid(hypervisor, "waits")
    first = bring(hypervisor, [guest], filters=FILTERS)["guests"]["waits"]
    assert first["behind"] == ["- filter: deny anything", "+ filter: allow class 0x08"]
    assert first["live"] == [] and pid(hypervisor, "waits") == run
    # Its firmware does not listen when it is asked to shut down: then if-idle leaves it on.
    patient = bring(hypervisor, [guest], filters=FILTERS, restart="if-idle", shutdown_seconds=1)[
        "guests"
    ]["waits"]
    assert patient["said"] == (
        "not restarted: it was asked to shut down and has not within 1 s; if it does later, it "
        "stays off"
    )
    assert pid(hypervisor, "waits") == run
    checked = bring(hypervisor, [guest], filters=FILTERS, restart="now", check=True)
    assert checked["guests"]["waits"]["said"] == "would be restarted"
    assert pid(hypervisor, "waits") == run
    done = bring(hypervisor, [guest], filters=FILTERS, restart="now", shutdown_seconds=1)
    assert done["guests"]["waits"]["said"] == "restarted"
    assert done["guests"]["waits"]["behind"] == [] and pid(hypervisor, "waits") != run
    assert not bring(hypervisor, [guest], filters=FILTERS, restart="now")["changed"]


def test_nobody_loses_the_picture_unless_it_is_forced(hypervisor: Daemon) -> None:
    guest = {**start(hypervisor, "in-use"), "filter": "storage"}
    run = pid(hypervisor, "in-use")
    how = {"filters": FILTERS, "restart": "now", "shutdown_seconds": 1}
    with socket.create_connection(("127.0.0.1", guest["spice_port"])):
        held = bring(hypervisor, [guest], **how)["guests"]["in-use"]
        assert held["said"] == "not restarted: somebody is connected"
        assert pid(hypervisor, "in-use") == run
        forced = bring(hypervisor, [guest], **how, restart_connected=True)["guests"]["in-use"]
        assert forced["said"] == "restarted" and pid(hypervisor, "in-use") != run


def test_a_guest_that_does_not_come_up_gets_its_old_definition_and_stops_the_others(
    hypervisor: Daemon,
) -> None:
    """Its new display port is taken by another program, which libvirt cannot know."""
    guests = [start(hypervisor, "first"), start(hypervisor, "second")]
    second = pid(hypervisor, "second")
    with socket.create_server(("127.0.0.1", 0)) as taken:
        moved = [
            {**guests[0], "spice_port": taken.getsockname()[1]},
            {**guests[1], "filter": "storage"},
        ]
        done = bring(hypervisor, moved, filters=FILTERS, restart="now", shutdown_seconds=1)
    assert done["failed_guests"].keys() == {"first"}
    assert "runs with the old one" in done["failed_guests"]["first"]
    assert f"tlsPort='{guests[0]['spice_port']}'" in hypervisor.virsh("dumpxml", "first")
    assert done["guests"]["second"]["said"] == "not restarted: first did not come up"
    assert pid(hypervisor, "second") == second


def test_a_password_goes_to_a_running_guest_and_nowhere_else(hypervisor: Daemon) -> None:
    guest, secret = start(hypervisor, "secret"), "planted-9f2c-secret"
    passwords = {"secret": {"password": secret, "valid_until": "2030-01-01T00:00:00"}}
    run = pid(hypervisor, "secret")
    checked = bring(hypervisor, [guest], passwords=passwords, restart="now", check=True)
    assert checked["guests"]["secret"]["behind"] == [] and "said" not in checked["guests"]["secret"]
    done = bring(hypervisor, [guest], passwords=passwords)
    assert done["changed"] and done["guests"]["secret"]["behind"] == []
    assert pid(hypervisor, "secret") == run
    again = bring(hypervisor, [guest], passwords=passwords)
    assert not again["changed"]
    for text in (checked["text"], done["text"], again["text"], hypervisor.log()):
        assert secret not in text
    assert "password: another one" in done["text"]
    for flag in ([], ["--inactive"]):
        xml = hypervisor.virsh("dumpxml", "--security-info", *flag, "secret")
        assert f"passwd='{secret}'" in xml and "passwdValidTo='2030-01-01T00:00:00'" in xml
    shown = process_list()
    assert "qemu-system" in shown and secret not in shown


def test_a_renewed_certificate_waits_for_a_restart(
    hypervisor: Daemon, certificates: Path, tmp_path: Path
) -> None:
    """QEMU shows the one that it read at its start, whatever lies in the directory by now."""
    guest = start(hypervisor, "renewed")
    first = (certificates / "server-cert.pem").read_text()
    as_started = bring(hypervisor, [guest], certificate=first)
    assert not as_started["changed"] and as_started["guests"] == {}
    make_certificates(tmp_path / "new")
    for path in (tmp_path / "new").iterdir():
        (certificates / path.name).write_text(path.read_text())
    words = "Made for the host by its owner:\n"
    now = {"certificate": words + (certificates / "server-cert.pem").read_text() + first}
    late = bring(hypervisor, [guest], **now)
    assert not late["changed"] and late["guests"]["renewed"]["behind"] == [
        "- certificate: the one it was started with",
        "+ certificate: as planned",
    ]
    again = bring(hypervisor, [guest], **now, restart="now", shutdown_seconds=1)
    assert again["guests"]["renewed"]["said"] == "restarted"
    assert again["guests"]["renewed"]["behind"] == []
    assert bring(hypervisor, [guest], **now)["guests"] == {}


def test_a_guest_that_anybody_could_open_is_refused(hypervisor: Daemon) -> None:
    define(hypervisor, "open", password="x")
    xml = hypervisor.virsh("dumpxml", "--inactive", "--security-info", "open")
    hypervisor.define("open", xml.replace(" passwd='x'", ""))
    guest = planned("open", free_ports(1)[0])
    done = bring(hypervisor, [guest])
    assert "its display has no password" in done["failed_guests"]["open"]
    assert "seatwright secrets" in done["failed_guests"]["open"]
    fine = bring(hypervisor, [guest], passwords={"open": {"password": "now it has one"}})
    assert fine["failed_guests"] == {}
    long = bring(hypervisor, [guest], passwords={"open": {"password": "x" * 60}})
    assert "more than 59 characters" in long["failed_guests"]["open"]


@pytest.mark.parametrize("machine", ["pc", "q35"])
def test_a_guest_s_own_devices_keep_their_ports(hypervisor: Daemon, machine: str) -> None:
    name = f"furnished-{machine}"
    controller = "<controller type='usb' index='0' model='qemu-xhci'/>"
    inputs = "<input type='tablet' bus='usb'/><input type='keyboard' bus='usb'/>"
    define(hypervisor, name, machine=machine, own=controller + inputs)
    port = free_ports(1)[0]
    refused = bring(hypervisor, [planned(name, port, 13)])["failed_guests"][name]
    assert "its input sits on USB controller 0 port 2" in refused
    done = bring(hypervisor, [planned(name, port, 13, own=2)])
    assert done["failed_guests"] == {}, done["text"]
    hypervisor.virsh("start", name)
    devices = usb(hypervisor, name)
    assert [line for line in devices if "Port 1," in line and "Tablet" in line]
    assert [line for line in devices if "Port 2," in line and "Keyboard" in line]
    assert len(devices) == 15 and not [line for line in devices if "Hub" in line]
