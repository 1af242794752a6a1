"""One test host: an overlay on a root, a network namespace, systemd booted by systemd-nspawn.

Everything here runs inside the fleet's private mount, network and process namespaces (see
``supervise``): ``/run`` is a tmpfs of the fleet's own, so what is written there goes with it.
"""

from __future__ import annotations

import os
import secrets
import shutil
import socket
import subprocess
from dataclasses import dataclass
from pathlib import Path

import msgspec

from seatwright.rehearsal import cgroups
from seatwright.rehearsal.errors import run

NETWORK = "192.0.2"
"""Set aside for documentation (RFC 5737): no real network can be hidden by it."""

REBOOT = 133
"""How systemd-nspawn ends when the host inside asked for a reboot."""


class HostSpec(msgspec.Struct, frozen=True):
    """A host as asked for: its name, its number in the fleet (1 to 250) and its ssh host key.

    ``layers`` make its root, topmost first.
    """

    name: str
    number: int
    key: Path
    layers: tuple[Path, ...]

    @property
    def address(self) -> str:
        """Its IPv4 address in the fleet's network."""
        return f"{NETWORK}.{self.number}"


@dataclass(frozen=True, slots=True)
class Container:
    """A host that can be booted: what it is, and where it lives inside the namespaces."""

    spec: HostSpec
    base: Path
    groups: tuple[Path, ...]
    log: Path

    @property
    def root(self) -> Path:
        """Its root file system, once laid out."""
        return self.base / "root"

    def lay_out(self, access_key: str, hosts_file: str) -> None:
        """Mount its root and write what makes it this host and no other."""
        for name in ("root", "changes", "work"):
            (self.base / name).mkdir(parents=True)
        lower = ":".join(str(layer) for layer in self.spec.layers)
        options = f"lowerdir={lower},upperdir={self.base}/changes,workdir={self.base}/work"
        run(["mount", "-t", "overlay", "overlay", "-o", options, str(self.root)])
        etc = self.root / "etc"
        (etc / "hostname").write_text(f"{self.spec.name}\n")
        (etc / "hosts").write_text(hosts_file)
        (etc / "machine-id").write_text(f"{secrets.token_hex(16)}\n")
        for suffix in ("", ".pub"):
            shutil.copy(f"{self.spec.key}{suffix}", etc / f"ssh/ssh_host_ed25519_key{suffix}")
        ssh = self.root / "root/.ssh"
        ssh.mkdir(mode=0o700, exist_ok=True)
        (ssh / "authorized_keys").write_text(access_key)

    def boot(self) -> int:
        """Start systemd-nspawn in control groups of its own; returns its process id."""
        argv = [
            "systemd-nspawn", "--quiet", "--boot", f"--directory={self.root}",
            f"--machine={self.spec.name}", "--register=no", "--keep-unit",
            f"--network-namespace-path=/run/netns/h{self.spec.number}",
            "--resolv-conf=off", "--timezone=off", "--link-journal=no",
        ]  # fmt: skip
        with self.log.open("ab") as log:
            process = subprocess.Popen(
                argv,
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=log,
                env={**os.environ, "SYSTEMD_NSPAWN_UNIFIED_HIERARCHY": "1"},
                preexec_fn=self._enter_groups,
            )
        return process.pid

    def _enter_groups(self) -> None:
        cgroups.enter(group / self.spec.name for group in self.groups)

    def answers(self) -> bool:
        """Whether its sshd greets whoever connects."""
        try:
            with socket.create_connection((self.spec.address, 22), timeout=0.5) as connection:
                return connection.recv(4) == b"SSH-"
        except OSError:
            return False


def lay_cables(hosts: tuple[HostSpec, ...]) -> None:
    """A bridge in the fleet's network namespace, and each host's namespace plugged into it."""
    lines = [
        "link set lo up",
        "link add hosts type bridge",
        f"addr add {NETWORK}.254/24 dev hosts",
        "link set hosts up",
    ]
    for host in hosts:
        space = f"h{host.number}"
        run(["ip", "netns", "add", space])
        lines.append(f"link add p{host.number} type veth peer name eth0 netns {space}")
        lines.append(f"link set p{host.number} master hosts up")
    run(["ip", "-batch", "-"], input="\n".join(lines))
    for host in hosts:
        inside = f"link set lo up\naddr add {host.address}/24 dev eth0\nlink set eth0 up\n"
        run(["ip", "-netns", f"h{host.number}", "-batch", "-"], input=inside)


def hosts_file(hosts: tuple[HostSpec, ...], own: HostSpec) -> str:
    """/etc/hosts of one host: itself, and every other by name."""
    lines = ["127.0.0.1 localhost", f"127.0.1.1 {own.name}"]
    lines += [f"{host.address} {host.name}" for host in hosts if host is not own]
    return "\n".join(lines) + "\n"
