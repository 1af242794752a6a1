"""Guests under plain QEMU: what is rendered for them starts, with the unit's own command.

QEMU 7.2 runs in a mount namespace whose /run has the credentials where systemd would put them.
"""

from __future__ import annotations

import json
import os
import re
import shlex
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
import yaml

from render_sites import TINY, make_repository, seatwright
from support.real_guests import free_ports
from support.tls import make_certificates

ROLE = Path(__file__).parents[2] / "templates/roles/guest_units/files"
sys.path.insert(0, str(ROLE.parent / "module_utils"))
import guest_qemu  # noqa: E402  # as Ansible brings it to a host

CLIENT = Path(__file__).with_name("client.py")
PASSWORD = "Xk4-planted-7Qm"
MACHINE = """\
[machine]
  type = "q35"
  accel = "tcg"

[memory]
  size = "32"

[device "video"]
  driver = "VGA"

[device "tablet"]
  driver = "usb-tablet"
  bus = "usb0.0"
  port = "1"
"""
PLACE = """
set -eu
mount -t tmpfs tmpfs /run
mount -t tmpfs tmpfs /etc/seatwright 2>/dev/null || {
    mount -t tmpfs tmpfs /mnt; mkdir -p /mnt/upper /mnt/work
    mount -t overlay overlay -o lowerdir=/etc,upperdir=/mnt/upper,workdir=/mnt/work /etc
}
mkdir -p /run/credentials/seatwright-guest@hall-1.service /run/seatwright-guest-hall-1
mkdir -p /etc/seatwright/guests
cp "$1"/credentials/* /run/credentials/seatwright-guest@hall-1.service/
cp "$1"/hall-1.* /etc/seatwright/guests/
shift
exec "$@"
"""


def rendered(root: Path, changes: str = "", ports: int = 2) -> dict:
    """What a host of this kind is told, rendered from a site; ``changes`` are lines of its room."""
    (port,) = free_ports(1)
    host = '{kind: systemd, address: 127.0.0.1, listen: "127.0.0.1", '
    host += f"spice-ports: {port}-{port + 9}}}"
    site = TINY.replace('{address: quay.example, listen: "192.0.2.10"}', host)
    site = site.replace("    ports: 2\n", f"    ports: {ports}\n{changes}")
    path = make_repository(root, site)
    done = seatwright("render", path)
    assert done.returncode == 0, done.stdout + done.stderr
    told = yaml.safe_load((path.parent / "rendered/host_vars/quay.yml").read_text())
    assert isinstance(told, dict)
    return told


def command(guest: dict, monitor: Path) -> list[str]:
    """The unit's own command line, as systemd would make it, and a second monitor for the test."""
    unit = (ROLE / "seatwright-guest@.service").read_text()
    (line,) = re.findall(r"^ExecStart=(.*)$", unit, re.MULTILINE)
    line = line.replace("%i", guest["name"]).replace("$OPTIONS", guest["options"])
    return [*shlex.split(line), "-qmp", f"unix:{monitor},server=on,wait=off"]


class Monitor:
    """QMP of a running guest."""

    def __init__(self, path: Path) -> None:
        deadline = time.monotonic() + 30
        while not path.exists():
            assert time.monotonic() < deadline, "QEMU did not come up"
            time.sleep(0.05)
        self.socket = socket.socket(socket.AF_UNIX)
        self.socket.connect(str(path))
        self.stream = self.socket.makefile("rw")
        self.stream.readline()
        self.ask("qmp_capabilities")

    def ask(self, execute: str, **arguments: object) -> object:
        self.stream.write(json.dumps({"execute": execute, "arguments": arguments}) + "\n")
        self.stream.flush()
        while True:
            said = json.loads(self.stream.readline())
            assert "error" not in said, said
            if "return" in said:
                return said["return"]

    def event(self, name: str) -> None:
        """Wait for an event."""
        while json.loads(self.stream.readline()).get("event") != name:
            pass

    def usb(self) -> list[str]:
        text = self.ask("human-monitor-command", **{"command-line": "info usb"})
        assert isinstance(text, str)
        return [line.strip() for line in text.splitlines() if line.strip()]


@contextmanager
def running(folder: Path, guest: dict) -> Iterator[tuple[Monitor, subprocess.Popen[bytes]]]:
    """The guest with everything where the role and systemd put it."""
    make_certificates(folder / "credentials")
    (folder / "credentials/password").write_text(PASSWORD)
    (folder / "hall-1.machine.cfg").write_text(MACHINE)
    (folder / "hall-1.cfg").write_text(guest["config"])
    words = ["unshare", "--mount"] + (["--map-root-user"] if os.geteuid() else [])
    words += ["sh", "-c", PLACE, "place", str(folder), *command(guest, folder / "monitor")]
    with (folder / "log").open("w") as log:
        process = subprocess.Popen(words, stdout=log, stderr=log)
    try:
        try:
            monitor = Monitor(folder / "monitor")
        except AssertionError as error:
            raise AssertionError((folder / "log").read_text()) from error
        yield monitor, process
    finally:
        process.kill()
        process.wait()


def first(told: dict) -> dict:
    guest = told["guest_units_guests"][0]
    assert guest["name"] == "hall-1" and isinstance(guest, dict)
    return guest


@pytest.mark.parametrize(
    ("changes", "ports"),
    [("", 2), ("    controller: ehci\n", 2)],
    ids=["xhci", "ehci"],
)
def test_the_guest_starts_with_its_ports_and_filter(
    tmp_path: Path, changes: str, ports: int
) -> None:
    guest = first(rendered(tmp_path / "site", changes))
    with running(tmp_path, guest) as (monitor, _):
        devices = monitor.usb()
        assert len([one for one in devices if "USB Redirection Device" in one]) == ports
        assert [one for one in devices if "Tablet" in one and "Port 1," in one]
        assert not [one for one in devices if "Hub" in one]
        text = monitor.ask("qom-get", path="/machine/peripheral/redir1", property="filter")
        assert guest["options"] == f"-global usb-redir.filter={text}"
        assert str(text).startswith("0x09:-1:-1:-1:0|")


@pytest.mark.parametrize("kind", ["xhci", "ehci"])
def test_the_most_ports_there_are(tmp_path: Path, kind: str) -> None:
    most = {"xhci": 120, "ehci": 53}[kind]
    guest = first(rendered(tmp_path / "site", f"    controller: {kind}\n", most))
    with running(tmp_path, guest) as (monitor, _):
        devices = monitor.usb()
        assert len([one for one in devices if "USB Redirection Device" in one]) == most
        assert not [one for one in devices if "Hub" in one]


@pytest.mark.parametrize("kind", ["xhci", "ehci"])
def test_ports_are_added_to_a_running_guest(tmp_path: Path, kind: str) -> None:
    changes = f"    controller: {kind}\n"
    guest = first(rendered(tmp_path / "site", changes))
    more = first(rendered(tmp_path / "more", changes, 4))["config"]
    with running(tmp_path, guest) as (monitor, process):
        path = f"/proc/{process.pid}/root/run/seatwright-guest-hall-1/qmp"
        started = guest["config"]
        missing = guest_qemu.ports_to_add(started, more)
        assert list(missing) == ["redir3", "redir4"]
        for name, values in missing.items():
            guest_qemu.add_port(path, name, values)
            started = guest_qemu.with_port(started, more, name)
        assert not guest_qemu.ports_to_add(started, more)
        devices = monitor.usb()
        for port in ("2", "3", "4", "5"):
            assert [one for one in devices if f"Port {port}," in one and "Redirection" in one]
        assert not [one for one in devices if "Hub" in one]
        text = monitor.ask("qom-get", path="/machine/peripheral/redir4", property="filter")
        assert guest["options"] == f"-global usb-redir.filter={text}"
        with pytest.raises(guest_qemu.NotAdded, match=r"chardev-add: .*redir3"):
            guest_qemu.add_port(path, "redir3", missing["redir3"])
        taken = {**missing["redir4"], "port": "2"}
        with pytest.raises(guest_qemu.NotAdded, match="device_add: "):
            guest_qemu.add_port(path, "redir5", taken)
        guest_qemu.add_port(path, "redir5", {**taken, "chardev": "redir5", "port": "6"})
    with pytest.raises(guest_qemu.NotAdded, match="its monitor does not answer"):
        guest_qemu.add_port(path, "redir3", missing["redir3"])


def test_what_a_guest_was_started_with_is_told_from_what_is_planned(tmp_path: Path) -> None:
    told = first(rendered(tmp_path / "site"))
    config, options = told["config"], told["options"]
    more = first(rendered(tmp_path / "more", ports=16))
    assert not guest_qemu.differences(config, config)
    assert not guest_qemu.ports_to_add(config, config)
    lines = guest_qemu.differences(config, more["config"])
    assert "+ redirection port: usb0.0 port 4" in lines
    assert "spice: tls-port = " in "".join(lines)
    assert '+ device "usb1": driver = qemu-xhci' in lines
    # A controller that is not there yet needs a restart, and so do the ports on it.
    added = guest_qemu.ports_to_add(config, more["config"])
    assert {one["bus"] for one in added.values()} == {"usb0.0"} and len(added) == 12
    for name in added:
        config = guest_qemu.with_port(config, more["config"], name)
    rest = guest_qemu.differences(config, more["config"])
    assert not [line for line in rest if "usb0" in line]
    assert [line for line in rest if "usb1.0 port 2" in line]
    ordered = f"OPTIONS={options}\n"
    assert guest_qemu.differences(ordered, ordered.replace(":0|", ":1|", 1))[0][:10] == "- OPTIONS="


def test_tls_and_the_password_from_the_credentials(tmp_path: Path) -> None:
    guest = first(rendered(tmp_path / "site"))

    def connect(transport: str, password: str) -> str:
        words = [CLIENT, str(guest["spice_port"]), transport, tmp_path / "credentials/ca-cert.pem"]
        done = subprocess.run(
            ["/usr/bin/python3", *words, "127.0.0.1", ""],
            input=password,
            capture_output=True,
            text=True,
            timeout=60,
        )
        return done.stdout.strip()

    def expire(until: str) -> None:
        (tmp_path / "until").write_text(until)
        monitor = f"/proc/{process.pid}/root/run/seatwright-guest-hall-1/qmp"
        words = [ROLE / "guest-monitor", "expire", monitor, tmp_path / "until"]
        subprocess.run(["/usr/bin/python3", *words], check=True)

    with running(tmp_path, guest) as (_, process):
        assert connect("tls", PASSWORD) == "opened"
        assert connect("tls", "wrong") == "error-auth"
        assert connect("plain", PASSWORD) != "opened"
        for days, said in ((1, "opened"), (-1, "error-auth"), (1, "opened")):
            expire(f"{datetime.now(UTC) + timedelta(days=days):%Y-%m-%dT%H:%M:%S}\n")
            assert connect("tls", PASSWORD) == said
        expire("")  # says nothing of it
        assert connect("tls", PASSWORD) == "opened"
        shown = Path(f"/proc/{process.pid}/cmdline").read_bytes()
        assert b"qemu-system" in shown and PASSWORD.encode() not in shown


def test_the_unit_asks_the_guest_to_shut_down_and_waits(tmp_path: Path) -> None:
    guest = first(rendered(tmp_path / "site"))
    with running(tmp_path, guest) as (monitor, process):
        path = Path(f"/proc/{process.pid}/root/run/seatwright-guest-hall-1/qmp")
        asking = subprocess.Popen(["/usr/bin/python3", ROLE / "guest-monitor", "power-down", path])
        monitor.event("POWERDOWN")
        assert asking.poll() is None
        process.terminate()
        assert asking.wait(timeout=20) == 0
    gone = subprocess.run(
        ["/usr/bin/python3", ROLE / "guest-monitor", "power-down", tmp_path / "none"],
        capture_output=True,
        text=True,
    )
    assert gone.returncode == 0 and "not asked to shut down" in gone.stderr


def test_systemd_understands_the_unit(tmp_path: Path) -> None:
    """systemd-analyze ends with 0 for much: what it says is what counts."""
    unit = (ROLE / "seatwright-guest@.service").read_text()
    here = unit.replace("/usr/lib/seatwright/guest-monitor", "/usr/bin/true")
    for name, text in (("good", here), ("bad", here.replace("KillMode=", "KillMood="))):
        folder = tmp_path / name
        folder.mkdir()
        (folder / "seatwright-guest@hall-1.service").write_text(text)
        done = subprocess.run(
            ["systemd-analyze", "verify", "--man=no", folder / "seatwright-guest@hall-1.service"],
            capture_output=True,
            text=True,
            env={**os.environ, "SYSTEMD_UNIT_PATH": f"{folder}:"},
        )
        about = [line for line in done.stderr.splitlines() if "seatwright-guest" in line]
        assert bool(about) == (name == "bad"), done.stderr


def test_the_role_passes_ansible_lint_s_production_profile(tmp_path: Path) -> None:
    rendered(tmp_path)
    programs = Path(sys.executable).parent
    settings = Path(__file__).parents[2] / ".ansible-lint"
    (tmp_path / ".ansible-lint").write_text(settings.read_text())
    done = subprocess.run(
        [programs / "ansible-lint", "--offline", "--nocolor", "roles/guest_units"],
        cwd=tmp_path,
        env={**os.environ, "PATH": f"{programs}:{os.environ['PATH']}"},
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stdout + done.stderr
