"""``guests.yml`` as it is rendered, against a real libvirtd with the QEMU driver."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from collections.abc import Mapping
from pathlib import Path

import pytest
import yaml
from ansible.parsing.vault import VaultLib, VaultSecret

from render_sites import TINY, make_repository, seatwright
from support.libvirtd import Daemon
from support.real_guests import define, free_ports, process_list, usb

HERE, AWAY = ("hall-1", "hall-2", "desk-1"), ("hall-3", "attic-1")
"""Guests of the host that is there, and of the one that cannot be reached."""


@pytest.fixture(scope="module")
def vault_password(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("vault") / "password"
    path.write_text("a password of the test\n")
    return path


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


def begin(
    repository: Path, *options: object, environment: Mapping[str, str] | None = None
) -> subprocess.Popen[str]:
    """Start the rendered playbook."""
    rendered = repository / "inventories/lock/rendered"
    command = [str(Path(sys.executable).parent / "ansible-playbook"), "-i", rendered / "hosts.yml"]
    command += ["-i", repository / "ways.yml", rendered / "playbooks/guests.yml"]
    return subprocess.Popen(
        [*map(str, command), "--skip-tags", "packages", *map(str, options)],
        cwd=repository,
        env={**os.environ, "ANSIBLE_NOCOLOR": "1", **(environment or {})},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def play(repository: Path, *options: str) -> subprocess.CompletedProcess[str]:
    """Run it to its end."""
    run = begin(repository, *options)
    output, errors = run.communicate()
    print(output, errors)
    return subprocess.CompletedProcess(run.args, run.returncode, output, errors)


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
    assert recap(play(repository, "--diff"), "quay")["changed"] == 0
    hypervisor.virsh("start", "hall-1")
    hypervisor.virsh("detach-device-alias", "hall-1", "redir1", "--live")
    late = play(repository, "-l", "quay")
    assert recap(late, "quay")["changed"] == 0
    assert "hall-1: running with an earlier definition (not restarted, nobody asked" in late.stdout
    assert "can be done while it runs" in late.stdout
    live = play(repository, "-l", "quay", "-e", '{"guest_ports_live_ports": true}')
    assert recap(live, "quay")["changed"] == 1
    assert len([line for line in usb(hypervisor, "hall-1") if "Redirection" in line]) == 2


def planted(site: Path, vault_password: Path) -> list[str]:
    """Every secret that was made: passwords of the guests and private keys, line by line."""
    library = VaultLib([("default", VaultSecret(vault_password.read_text().strip().encode()))])
    kept = yaml.safe_load(library.decrypt((site.parent / "secrets/kept.yml").read_bytes()))
    keys = [one["key"] for one in (*kept["authorities"], *kept["hosts"].values())]
    lines = [line for key in keys for line in key.splitlines() if not line.startswith("-----")]
    return [one["password"] for one in kept["passwords"].values()] + lines


def test_nothing_secret_shows_anywhere(
    repository: Path, hypervisor: Daemon, vault_password: Path, tmp_path: Path
) -> None:
    """From making them to guests that have them: plan, tree, diff, output, logs, processes."""
    site = repository / "inventories/lock/site.yml"
    shown = [seatwright("secrets", site, "--vault-password-file", vault_password)]
    shown += [seatwright("render", site, "--diff")]
    shown += [seatwright("book", site, "--output", tmp_path / "book.html")]
    assert all(one.returncode == 0 for one in shown), [one.stderr for one in shown]
    conf = tmp_path / "qemu.conf"
    conf.write_text("#spice_tls = 1\n")
    told = {
        "guest_ports_tls_directory": str(tmp_path / "x509"),
        "guest_ports_tls_group": "root",
        "guest_ports_qemu_conf": str(conf),
        "guest_ports_service": "",
    }
    log = tmp_path / "ansible.log"
    options = ["-i", site.parent / "secrets/inventory", "-e", json.dumps(told), "--diff", "-vvv"]
    options += ["--vault-password-file", vault_password, "-l", "quay"]
    run = begin(repository, *options, environment={"ANSIBLE_LOG_PATH": str(log)})
    processes = []
    while run.poll() is None:
        processes.append(process_list())
        time.sleep(0.2)
    output = "".join(run.communicate())
    assert run.returncode == 0, output
    processes.append(process_list())
    secrets = planted(site, vault_password)
    assert len(secrets) >= 5 + 3 * 3
    live = hypervisor.virsh("dumpxml", "--security-info", "desk-1")
    assert any(f"passwd='{one}'" in live for one in secrets[:5])  # it did arrive
    assert (tmp_path / "x509/server-key.pem").read_text().splitlines()[1] in secrets
    assert "spice_tls = 1" in conf.read_text().splitlines()
    texts = {
        "output of the verbs": "".join(one.stdout + one.stderr for one in shown),
        "output of Ansible": output,
        "log of Ansible": log.read_text(),
        "log of libvirt": hypervisor.log(),
        "processes": "".join(processes),
        "book": (tmp_path / "book.html").read_text(),
    }
    for path in repository.rglob("*"):
        if path.is_file():
            texts[str(path)] = path.read_bytes().decode("utf-8", "replace")
    for where, text in texts.items():
        assert not [one for one in secrets if one in text], where
    again = play(repository, *map(str, options))
    assert recap(again, "quay")["changed"] == 0
