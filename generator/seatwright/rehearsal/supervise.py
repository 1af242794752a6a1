"""The process a fleet lives and dies with: PID 1 of the fleet's process namespace.

When it ends, however it ends, the kernel ends every process of every host, and with the last of
them go their mounts and network namespaces.  It ends on SIGTERM, and when the process that owns
the fleet has gone.
"""

from __future__ import annotations

import os
import select
import shutil
import signal
import sys
import time
from pathlib import Path

import msgspec

from seatwright.rehearsal import cgroups
from seatwright.rehearsal.container import REBOOT, Container, HostSpec, hosts_file, lay_cables
from seatwright.rehearsal.errors import RehearsalError, run

INOTIFY_INSTANCES = 1024
"""Each host's systemd takes a few of the machine's; the usual 128 end at 21 hosts."""

STARTING = 120.0
"""Seconds until every host must answer."""


class FleetSpec(msgspec.Struct, frozen=True):
    """A fleet as asked for. ``state`` is absolute."""

    name: str
    state: Path
    hosts: tuple[HostSpec, ...]
    access_key: str

    def to_json(self) -> bytes:
        """As the supervisor is given it."""
        return msgspec.json.encode(self, enc_hook=str)

    @classmethod
    def from_json(cls, text: bytes) -> FleetSpec:
        """The way back; raises ``msgspec.MsgspecError``."""
        return msgspec.json.decode(text, type=cls, dec_hook=lambda kind, value: kind(value))


def supervise(spec: FleetSpec, owner: int | None) -> None:
    """Boot the hosts, say when all answer, keep them until told to end.

    ``owner`` is a process file descriptor (pidfd_open(2)); the fleet ends when it is readable.
    """
    ended, told_to_end = _signals()
    groups = cgroups.make(spec.name)
    _private_run()
    _raise_inotify()
    lay_cables(spec.hosts)
    containers = [_container(spec, host, groups) for host in spec.hosts]
    booted = {container.boot(): container for container in containers}
    _await_answers(booted, ended)
    (spec.state / "ready").write_text("")
    watched = [ended, told_to_end, *([owner] if owner is not None else [])]
    while True:
        readable, _, _ = select.select(watched, [], [])
        if told_to_end in readable or owner in readable:
            return _clear_up(spec)
        _boot_again(booted, ended)


def _signals() -> tuple[int, int]:
    """Two descriptors: readable when a child ended, and when we are told to end."""
    child_out, child_in = os.pipe2(os.O_NONBLOCK | os.O_CLOEXEC)
    end_out, end_in = os.pipe2(os.O_NONBLOCK | os.O_CLOEXEC)
    signal.signal(signal.SIGCHLD, lambda *_: _poke(child_in))
    signal.signal(signal.SIGTERM, lambda *_: _poke(end_in))
    return child_out, end_out


def _poke(descriptor: int) -> None:
    try:
        os.write(descriptor, b".")
    except BlockingIOError:
        return  # full: whoever reads it has been told already


def _private_run() -> None:
    """A /run of the fleet's own, for namespaces, overlays and what nspawn keeps there."""
    run(["mount", "-t", "tmpfs", "-o", "mode=755,size=75%", "tmpfs", "/run"])


def _raise_inotify() -> None:
    """Let the machine have enough inotify instances; a larger setting stays."""
    setting = Path("/proc/sys/fs/inotify/max_user_instances")
    if int(setting.read_text()) < INOTIFY_INSTANCES:
        setting.write_text(str(INOTIFY_INSTANCES))


def _container(spec: FleetSpec, host: HostSpec, groups: tuple[Path, ...]) -> Container:
    container = Container(
        spec=host,
        base=Path("/run/hosts") / host.name,
        groups=groups,
        log=spec.state / f"{host.name}.console",
    )
    container.lay_out(spec.access_key, hosts_file(spec.hosts, host))
    return container


def _await_answers(booted: dict[int, Container], ended: int) -> None:
    """Wait until every host's sshd answers."""
    deadline = time.monotonic() + STARTING
    waiting = list(booted.values())
    while waiting := [container for container in waiting if not container.answers()]:
        _boot_again(booted, ended)
        gone = [c.spec.name for c in waiting if c not in booted.values()]
        if gone or time.monotonic() > deadline:
            names = ", ".join(gone or [c.spec.name for c in waiting])
            raise RehearsalError(f"These hosts did not come up: {names}.")
        time.sleep(0.05)


def _boot_again(booted: dict[int, Container], ended: int) -> None:
    """Collect what has ended; a host that ended to reboot is booted again, others are off."""
    try:
        os.read(ended, 4096)
    except BlockingIOError:
        return
    while (found := _reap()) is not None:
        process, status = found
        container = booted.pop(process, None)
        if container and status == REBOOT:
            booted[container.boot()] = container


def _clear_up(spec: FleetSpec) -> None:
    """End every process of the fleet but this one, and remove what a kernel does not."""
    os.kill(-1, signal.SIGKILL)
    while True:
        try:
            os.wait()
        except ChildProcessError:
            break
    cgroups.remove(spec.name)
    shutil.rmtree(spec.state, ignore_errors=True)


def _reap() -> tuple[int, int] | None:
    """One ended child (orphans of the hosts' starters included) and its exit status."""
    try:
        process, status = os.waitpid(-1, os.WNOHANG)
    except ChildProcessError:
        return None
    return (process, os.waitstatus_to_exitcode(status)) if process else None


def main(argv: list[str]) -> int:
    """``python -m seatwright.rehearsal.supervise SPEC [OWNER_FD]``, started by ``fleet``."""
    spec = FleetSpec.from_json(Path(argv[0]).read_bytes())
    try:
        supervise(spec, int(argv[1]) if len(argv) > 1 else None)
    except RehearsalError as error:
        print(error, file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
