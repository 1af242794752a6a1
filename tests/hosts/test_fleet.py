"""Test hosts themselves: what they are, and that nothing of them outlives them."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from seatwright.rehearsal.base import Layers
from seatwright.rehearsal.errors import RehearsalError
from seatwright.rehearsal.fleet import Fleet, Process

GENERATOR = Path(__file__).parents[2] / "generator"

OWNER = """
import os, sys, time
from pathlib import Path
from seatwright.rehearsal.base import SEAT, ensure
from seatwright.rehearsal.fleet import Fleet
fleet = Fleet.start(["orphan"], ensure(SEAT), state=Path(sys.argv[1]), owner=os.getpid())
time.sleep(600)
"""


def leftovers(state: Path, name: str) -> list[str]:
    """What a fleet has on this machine: processes, control groups, mounts, namespaces."""
    found = [f"process {p}" for p in Path("/proc").glob("[0-9]*") if str(state) in command_line(p)]
    found += [f"mount {line}" for line in Path("/proc/mounts").read_text().splitlines()
              if "/run/hosts" in line or str(state) in line]  # fmt: skip
    found += [f"namespace {name}" for name in Path("/run/netns").glob("h[0-9]*")]
    found += [f"group {path}" for path in Path("/sys/fs/cgroup").rglob(f"seatwright-{name}")]
    return found


def name_of(fleet: Fleet) -> str:
    return str(json.loads((fleet.state / "fleet.json").read_text())["name"])


def command_line(process: Path) -> str:
    try:
        return (process / "cmdline").read_bytes().replace(b"\0", b" ").decode(errors="replace")
    except OSError:
        return ""


def becomes(condition: Callable[[], bool], within: float = 15) -> bool:
    """Whether a condition comes true in so many seconds."""
    deadline = time.monotonic() + within
    while not condition():
        if time.monotonic() > deadline:
            return False
        time.sleep(0.05)
    return True


@pytest.mark.names("first", "second")
def test_each_host_is_a_debian_with_systemd_of_its_own(fleet: Fleet) -> None:
    for name in fleet.names:
        assert fleet.run(name, "hostname").stdout == f"{name}\n"
        assert fleet.run(name, "systemctl is-system-running --wait").stdout == "running\n"
        assert fleet.read(name, "/etc/debian_version").startswith("12.")
    ids = {fleet.read(name, "/etc/machine-id") for name in fleet.names}
    keys = {fleet.read(name, "/etc/ssh/ssh_host_ed25519_key.pub") for name in fleet.names}
    assert len(ids) == len(keys) == 2
    reached = fleet.run(
        "first", "python3 -c 'import socket; socket.create_connection((\"second\", 22))'"
    )
    assert reached.returncode == 0, reached.stderr


@pytest.mark.names("stranger")
def test_a_host_with_another_key_is_not_talked_to(fleet: Fleet) -> None:
    fleet.run("stranger", "rm /etc/ssh/ssh_host_*; ssh-keygen -A; systemctl restart ssh")
    argv = ["ssh", "-F", str(fleet.ssh_config), "stranger", "true"]
    refused = subprocess.run(argv, capture_output=True, text=True)
    assert refused.returncode == 255
    assert "Host key verification failed" in refused.stderr


@pytest.mark.names("phoenix")
def test_a_host_comes_back_from_a_reboot_with_what_was_written(fleet: Fleet) -> None:
    before = fleet.read("phoenix", "/proc/sys/kernel/random/boot_id")
    fleet.run("phoenix", "echo kept > /etc/kept; systemctl reboot")
    assert becomes(lambda: fleet.run("phoenix", "true").returncode == 0)
    assert fleet.read("phoenix", "/etc/kept") == "kept\n"
    assert fleet.read("phoenix", "/proc/sys/kernel/random/boot_id") != before


@pytest.mark.names("shopper")
def test_what_the_roots_leave_out_is_installed_from_the_shelf(fleet: Fleet) -> None:
    assert fleet.run("shopper", "command -v seatd").returncode != 0
    done = fleet.run("shopper", "apt-get -qq update && apt-get -qq install seatd")
    assert done.returncode == 0, done.stderr
    assert fleet.run("shopper", "systemctl is-active seatd").stdout == "active\n"


def test_stop_leaves_nothing_behind(seat_root: Layers) -> None:
    fleet = Fleet.start(["short-lived"], seat_root)
    assert fleet.run("short-lived", "true").returncode == 0
    name = name_of(fleet)
    assert leftovers(fleet.state, name) != []
    fleet.stop()
    assert leftovers(fleet.state, name) == []
    assert not fleet.state.exists()
    fleet.stop()  # again: nothing to do


def test_hosts_end_with_the_process_they_are_for(tmp_path: Path, seat_root: Layers) -> None:
    argv = [sys.executable, "-c", OWNER, str(tmp_path / "state")]
    owner = subprocess.Popen(argv, env={**os.environ, "PYTHONPATH": str(GENERATOR)})
    fleet = Fleet(tmp_path / "state", ("orphan",))
    assert becomes(lambda: (fleet.state / "ready").exists(), within=60)
    name = name_of(fleet)
    owner.kill()
    owner.wait()
    assert becomes(lambda: not fleet.state.exists() and leftovers(fleet.state, name) == [])


def test_a_killed_supervisor_takes_its_hosts_along(seat_root: Layers) -> None:
    fleet = Fleet.start(["headless"], seat_root)
    processes = [Process.of(int(p.name)) for p in Path("/proc").glob("[0-9]*")
                 if "--machine=headless" in command_line(p)]  # fmt: skip
    supervisor = json.loads((fleet.state / "process.json").read_text())["pid"]
    os.kill(supervisor, signal.SIGKILL)
    assert processes
    assert becomes(lambda: not any(process and process.runs() for process in processes))
    name = name_of(fleet)
    fleet.stop()
    assert leftovers(fleet.state, name) == []


def test_a_second_fleet_in_one_place_is_refused(tmp_path: Path, seat_root: Layers) -> None:
    (tmp_path / "state").mkdir()
    (tmp_path / "state/fleet.json").touch()
    with pytest.raises(RehearsalError) as refused:
        Fleet.start(["one"], seat_root, state=tmp_path / "state")
    assert "is in use" in str(refused.value)
    assert "stop" in refused.value.hint


@pytest.mark.parametrize("names", [[], ["twice", "twice"]])
def test_names_must_differ_and_be_there(names: list[str], seat_root: Layers) -> None:
    with pytest.raises(RehearsalError, match="different names"):
        Fleet.start(names, seat_root)
