"""A libvirtd of a test's own, apart from every other on the machine.

It runs in mount and process namespaces of its own, with empty directories wherever libvirt writes:
neither a second test nor a daemon of the machine itself gets in its way, and what it started ends
with it.  Where the user is not root, a user namespace makes it so in there.
"""

from __future__ import annotations

import os
import subprocess
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

KEEPER = Path(__file__).with_name("libvirt_keeper.py")

QEMU_CONF = """\
user = "root"
group = "root"
dynamic_ownership = 0
remember_owner = 0
security_driver = "none"
cgroup_controllers = [ ]
namespaces = [ ]
stdio_handler = "file"
"""
"""As little as possible of what a host has and a test machine may not: users, labels, cgroups."""

STARTING = 30.0


@dataclass(frozen=True)
class Daemon:
    """A running libvirtd: ``uri`` is how to reach the driver that the test asked for."""

    uri: str
    folder: Path
    keeper: subprocess.Popen[str]

    @property
    def socket(self) -> Path:
        """The socket it listens on."""
        return self.folder / "libvirt-sock"

    def virsh(self, *words: str, said: str | None = None) -> str:
        """What virsh prints; with ``said`` it is to fail with these words."""
        command = ["virsh", "--connect", self.uri, *words]
        done = subprocess.run(command, capture_output=True, text=True)
        if said is not None:
            assert done.returncode != 0 and said in done.stderr, done.stdout + done.stderr
            return done.stderr
        assert done.returncode == 0, done.stderr
        return done.stdout

    def define(self, name: str, xml: str) -> None:
        """Define a guest, validated against libvirt's schemas."""
        self.define_all({name: xml})

    def define_all(self, guests: Mapping[str, str]) -> None:
        """The same for many, with one virsh for all."""
        words = []
        for name, xml in guests.items():
            path = self.folder / f"{name}.xml"
            path.write_text(xml)
            words.append(f"define --validate {path}")
        self.virsh("; ".join(words))

    def start(self) -> None:
        """Start the daemon, and wait until it listens."""
        self._order("start")
        deadline = time.monotonic() + STARTING
        while not self.socket.exists():
            assert self.keeper.poll() is None, self.log()
            assert time.monotonic() < deadline, f"libvirtd did not open its socket\n{self.log()}"
            time.sleep(0.05)

    def kill(self) -> None:
        """Kill the daemon as a crash would; its guests run on."""
        self._order("kill")
        assert self.keeper.stdout is not None
        assert self.keeper.stdout.readline() == "killed\n"

    def log(self) -> str:
        """What the daemon said."""
        path = self.folder / "log"
        return path.read_text() if path.exists() else ""

    def _order(self, word: str) -> None:
        assert self.keeper.stdin is not None
        self.keeper.stdin.write(f"{word}\n")
        self.keeper.stdin.flush()


@contextmanager
def libvirtd(
    folder: Path, driver: str, settings: str = "", *, clients: int = 50
) -> Iterator[Daemon]:
    """A daemon with its socket in ``folder``; ``driver`` as in URIs: ``test`` or ``qemu``.

    ``settings`` are further lines of qemu.conf; ``clients`` may be connected at one time.
    """
    (folder / "libvirtd.conf").write_text(
        f'unix_sock_dir = "{folder}"\nauth_unix_rw = "none"\nlog_outputs = "3:stderr"\n'
        f"max_clients = {clients}\nmax_anonymous_clients = {clients}\n"
    )
    (folder / "qemu.conf").write_text(QEMU_CONF + settings)
    command = ["unshare", "--mount", "--pid", "--fork", "--kill-child", "--mount-proc"]
    if os.geteuid() != 0:
        command.append("--map-root-user")
    with subprocess.Popen(
        [*command, "/usr/bin/python3", "-u", KEEPER, folder],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=(folder / "log").open("w"),
        text=True,
    ) as keeper:
        path = "system" if driver == "qemu" else "default"
        uri = f"{driver}+unix:///{path}?socket={folder / 'libvirt-sock'}"
        daemon = Daemon(uri, folder, keeper)
        try:
            daemon.start()
            yield daemon
        finally:
            assert keeper.stdin is not None
            keeper.stdin.close()  # the keeper ends, and with it its namespace and all in there
            keeper.wait(timeout=30)


@contextmanager
def held_open(daemon: Daemon) -> Iterator[None]:
    """Keep a connection: the test driver forgets its guests when the last one closes."""
    with subprocess.Popen(
        ["virsh", "--quiet", "--connect", daemon.uri],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as virsh:
        assert virsh.stdin is not None and virsh.stdout is not None
        print("echo connected", file=virsh.stdin, flush=True)
        while "connected" not in (line := virsh.stdout.readline()):
            assert line, f"virsh ended\n{daemon.log()}"
        yield
        virsh.stdin.close()
