"""The guest_ports role against libvirt's own test driver, as Ansible runs it.

The test driver (``test:///``) validates against libvirt's RNG schemas and stores what it accepts;
a daemon in front of it keeps its state from one run to the next.
"""

from __future__ import annotations

import json
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from support.guest_module import bring, planned
from support.libvirtd import Daemon, held_open, libvirtd

ROLE = Path(__file__).parents[2] / "roles" / "guest_ports"  # as rendered, with its defaults
ANSIBLE_PLAYBOOK = Path(__file__).parents[2] / ".venv" / "bin" / "ansible-playbook"

EDITED_BY_HAND = """
<domain type='test' xmlns:own='urn:fennmoor:notes'>
  <name>{name}</name>
  <memory unit='KiB'>1048576</memory>
  <metadata><own:note room="reading">kept as it is &amp; untouched</own:note></metadata>
  <os><type arch='x86_64'>hvm</type></os>
  <devices>
    <disk type='file' device='disk'>
      <source file='/guest/{name}'/><target dev='vda' bus='virtio'/>
    </disk>
    <controller type='usb' index='0' model='piix3-uhci'/>
    <input type='tablet' bus='usb'><address type='usb' bus='0' port='1'/></input>
    <graphics type='spice' autoport='yes' passwd='planted-secret' defaultMode='any'>
      <channel name='main' mode='insecure'/><streaming mode='filter'/>
    </graphics>
    <redirdev bus='usb' type='spicevmc'/>
    <video><model type='virtio'/></video>
  </devices>
</domain>
"""

GUEST: dict = {
    "seat": "rr-01",
    "spice_port": 5901,
    "filter": "readers",
    "controllers": [{"index": 0, "kind": "qemu-xhci", "ports": 5}],
    "ports": [{"number": n, "bus": 0, "port": str(n + 1)} for n in (1, 2, 3, 4)],
}

FILTER = [
    {"class": 9, "vendor": -1, "product": -1, "version": -1, "allow": False},
    {"class": -1, "vendor": 0x1209, "product": 2, "version": -1, "allow": False},
    {"class": 8, "vendor": 0x1209, "product": 3, "version": 0x0110, "allow": True},
    {"class": 1, "vendor": -1, "product": -1, "version": -1, "allow": True},
]


def define(daemon: Daemon, name: str) -> None:
    daemon.define(name, EDITED_BY_HAND.format(name=name))


def run_role(
    daemon: Daemon, guests: list[dict], *options: str, rules: list[dict] = FILTER
) -> subprocess.CompletedProcess[str]:
    playbook = daemon.folder / "guests.yml"
    variables = {
        "guest_ports_uri": daemon.uri,
        "guest_ports_listen": "127.0.0.1",
        "guest_ports_restart": "never",
        "guest_ports_filters": {"readers": rules},
        "guest_ports_guests": guests,
        "ansible_python_interpreter": "/usr/bin/python3",
    }
    role = {"role": str(ROLE)}
    play = {"hosts": "localhost", "gather_facts": False, "vars": variables, "roles": [role]}
    playbook.write_text(json.dumps([play]))
    command = [ANSIBLE_PLAYBOOK, "-i", "localhost,", "-c", "local", playbook]
    command += ["--skip-tags", "packages", *options]
    run = subprocess.run(command, capture_output=True, text=True, cwd=daemon.folder)
    print(run.stdout, run.stderr)
    return run


@pytest.fixture
def daemon(tmp_path: Path) -> Iterator[Daemon]:
    with libvirtd(tmp_path, "test") as daemon, held_open(daemon):
        yield daemon


def guest(name: str, **changes: object) -> dict:
    return {"name": name, **GUEST, **changes}


def recap(run: subprocess.CompletedProcess[str]) -> dict[str, int]:
    """The counts of Ansible's recap line."""
    assert "PLAY RECAP" in run.stdout, run.stdout + run.stderr
    words = run.stdout.rsplit(":", 1)[1].split()
    return {key: int(count) for key, count in (word.split("=") for word in words)}


def test_a_guest_edited_by_hand_gets_its_ports_and_keeps_the_rest(daemon: Daemon) -> None:
    define(daemon, "rr-01")
    first = run_role(daemon, [guest("rr-01")], "--diff")
    assert recap(first)["failed"] == 0, first.stdout
    assert "+redirection port: controller 0 port 2" in first.stdout
    assert "planted-secret" not in first.stdout + first.stderr
    xml = daemon.virsh("dumpxml", "--inactive", "--security-info", "rr-01")
    assert "kept as it is &amp; untouched" in xml and "/guest/rr-01" in xml
    assert "passwd='planted-secret'" in xml and "<streaming mode='filter'/>" in xml
    assert "tlsPort='5901'" in xml and "defaultMode='secure'" in xml and "insecure" not in xml
    assert xml.count("<redirdev ") == 4 and "model='qemu-xhci' ports='5'" in xml
    assert xml.index("class='0x09'") < xml.index("product='0x0002'") < xml.index("version='1.10'")


def test_the_second_run_changes_nothing_and_one_more_port_moves_no_other(daemon: Daemon) -> None:
    define(daemon, "rr-01")
    run_role(daemon, [guest("rr-01")])
    assert recap(run_role(daemon, [guest("rr-01")]))["changed"] == 0
    before = daemon.virsh("dumpxml", "--inactive", "rr-01")
    more = guest(
        "rr-01",
        controllers=[{"index": 0, "kind": "qemu-xhci", "ports": 6}],
        ports=[*GUEST["ports"], {"number": 5, "bus": 0, "port": "6"}],
    )
    run = run_role(daemon, [more], "--diff")
    assert recap(run)["changed"] == 1
    removed = [line for line in run.stdout.splitlines() if line.startswith("-redirection")]
    assert removed == [] and "+redirection port: controller 0 port 6" in run.stdout
    assert daemon.virsh("dumpxml", "--inactive", "rr-01") != before


def test_check_mode_says_what_would_change_and_changes_nothing(daemon: Daemon) -> None:
    define(daemon, "rr-01")
    before = daemon.virsh("dumpxml", "--inactive", "rr-01")
    run = run_role(daemon, [guest("rr-01")], "--check", "--diff")
    assert recap(run)["changed"] == 1 and "+filter: deny class 0x09" in run.stdout
    assert daemon.virsh("dumpxml", "--inactive", "rr-01") == before


def test_one_guest_that_is_not_there_does_not_keep_the_others_back(daemon: Daemon) -> None:
    define(daemon, "rr-02")
    run = run_role(daemon, [guest("rr-01"), guest("rr-02", spice_port=5902)])
    assert recap(run)["failed"] == 1
    assert "guests done: 1, not done: 1 (rr-01: there is no such guest" in run.stdout
    assert "tlsPort='5902'" in daemon.virsh("dumpxml", "--inactive", "rr-02")


def test_a_device_of_the_guest_where_a_port_is_planned_is_said_and_not_moved(
    daemon: Daemon,
) -> None:
    define(daemon, "rr-01")
    before = daemon.virsh("dumpxml", "--inactive", "rr-01")
    clash = guest("rr-01", ports=[{"number": 1, "bus": 0, "port": "1"}])
    run = run_role(daemon, [clash])
    assert "its input sits on USB controller 0 port 1" in run.stdout
    assert daemon.virsh("dumpxml", "--inactive", "rr-01") == before


def test_a_running_guest_is_left_alone_and_named(daemon: Daemon) -> None:
    define(daemon, "rr-01")
    daemon.virsh("start", "rr-01")
    run = run_role(daemon, [guest("rr-01")])
    assert recap(run)["failed"] == 0
    assert "rr-01: running with an earlier definition" in " ".join(run.stdout.split())
    live = daemon.virsh("dumpxml", "rr-01")
    assert live.count("<redirdev ") == 1


def test_a_version_that_libvirt_cannot_write_is_refused_with_the_way_out(daemon: Daemon) -> None:
    define(daemon, "rr-01")
    rule = {"class": 8, "vendor": 0x1209, "product": 3, "version": 0x1A00, "allow": True}
    run = run_role(daemon, [guest("rr-01")], rules=[rule])
    assert "name the device without its bcdDevice" in " ".join(run.stdout.split())


def test_one_connection_does_for_all_guests(tmp_path: Path) -> None:
    """The daemon takes two clients, one of which holds its guests: a third would wait for ever."""
    with libvirtd(tmp_path, "test", clients=2) as daemon, held_open(daemon):
        names = [f"rr-{number:02}" for number in range(1, 6)]
        for name in names:
            define(daemon, name)
        guests = [planned(name, 5900 + number) for number, name in enumerate(names)]
        told = bring(daemon, guests)
        assert list(told["guests"]) == names and told["failed_guests"] == {}
