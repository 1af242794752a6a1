"""``guests.yml`` as it is rendered, against a real libvirtd with the QEMU driver."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from render_sites import TINY, make_repository, seatwright
from support.libvirtd import Daemon
from support.real_guests import define, free_ports, usb

HERE, AWAY = ("hall-1", "hall-2", "desk-1"), ("hall-3", "attic-1")
"""Guests of the host that is there, and of the one that cannot be reached."""


@pytest.fixture(scope="module")
def repository(tmp_path_factory: pytest.TempPathFactory, hypervisor: Daemon) -> Path:
    """A rendered repository with two hosts, one of which is this machine."""
    root = tmp_path_factory.mktemp("repository")
    first = min(free_ports(1)[0], 65_000)
    hosts = (
        f'  quay: {{address: quay.example, listen: "127.0.0.1", uri: "{hypervisor.uri}", '
        f"spice-ports: {first}-{first + 20}}}\n"
        '  loft: {address: loft.example, listen: "127.0.0.1"}\n'
    )
    site = TINY.replace('  quay: {address: quay.example, listen: "192.0.2.10"}\n', hosts)
    site = site.replace("[hall-1 to hall-3,", "[hall-1, hall-2, {name: hall-3, host: loft},")
    site = site.replace("host: quay}", "host: loft, seats: [attic-1]}")
    done = seatwright("render", make_repository(root, site))
    assert done.returncode == 0, done.stdout + done.stderr
    (away,) = free_ports(1)  # nobody listens there any more
    ways = {
        "quay": {"ansible_connection": "local", "ansible_become": False},
        "loft": {"ansible_host": "127.0.0.1", "ansible_port": away, "ansible_become": False},
    }
    (root / "ways.yml").write_text(json.dumps({"all": {"hosts": ways}}))
    for name in HERE:
        define(hypervisor, name)
    return root


def play(repository: Path, *options: str) -> subprocess.CompletedProcess[str]:
    """Run the rendered playbook."""
    rendered = repository / "inventories/lock/rendered"
    command = [str(Path(sys.executable).parent / "ansible-playbook"), "-i", rendered / "hosts.yml"]
    command += ["-i", repository / "ways.yml", rendered / "playbooks/guests.yml"]
    run = subprocess.run(
        [*command, "--skip-tags", "packages", *options],
        cwd=repository,
        env={**os.environ, "ANSIBLE_NOCOLOR": "1"},
        capture_output=True,
        text=True,
    )
    print(run.stdout, run.stderr)
    return run


def recap(run: subprocess.CompletedProcess[str], host: str) -> dict[str, int]:
    """Ansible's counts of one host."""
    lines = run.stdout[run.stdout.index("PLAY RECAP") :].splitlines()
    words = next(line for line in lines if line.startswith(host)).split(":", 1)[1].split()
    return {key: int(count) for key, count in (word.split("=") for word in words)}


def test_the_rendered_playbook_does_what_it_can_and_names_the_rest(
    repository: Path, hypervisor: Daemon
) -> None:
    checked = play(repository, "--check", "--diff", "-l", "quay")
    assert checked.returncode == 0 and "+redirection port: controller 0 port 3" in checked.stdout
    assert "redirdev" not in hypervisor.virsh("dumpxml", "hall-1")
    first = play(repository)
    assert first.returncode != 0
    assert recap(first, "quay")["failed"] == 0 and recap(first, "quay")["changed"] == 1
    assert f"loft cannot be reached; not done: {', '.join(AWAY)}" in first.stdout
    for name in HERE:
        assert "redirfilter" in hypervisor.virsh("dumpxml", name)
    hypervisor.virsh("start", "desk-1")
    assert len([line for line in usb(hypervisor, "desk-1") if "Redirection" in line]) == 1


def test_a_second_run_changes_nothing_and_names_who_is_behind(
    repository: Path, hypervisor: Daemon
) -> None:
    assert recap(play(repository), "quay")["changed"] == 0
    hypervisor.virsh("start", "hall-1")
    hypervisor.virsh("detach-device-alias", "hall-1", "redir1", "--live")
    late = play(repository, "-l", "quay")
    assert recap(late, "quay")["changed"] == 0
    assert "hall-1: running with an earlier definition (not restarted, nobody asked" in late.stdout
    assert "can be done while it runs" in late.stdout
    live = play(repository, "-l", "quay", "-e", '{"guest_ports_live_ports": true}')
    assert recap(live, "quay")["changed"] == 1
    assert len([line for line in usb(hypervisor, "hall-1") if "Redirection" in line]) == 2
