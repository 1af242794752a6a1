"""A fleet: several test hosts, started together, reached over ssh, ended together."""

from __future__ import annotations

import contextlib
import os
import secrets
import shlex
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType

import msgspec

from seatwright.rehearsal import cgroups, dial
from seatwright.rehearsal.base import Layers
from seatwright.rehearsal.container import HostSpec
from seatwright.rehearsal.errors import RehearsalError, need_programs, need_root, run, tail
from seatwright.rehearsal.supervise import FleetSpec

PROGRAMS = {
    "systemd-nspawn": "systemd-container",
    "ip": "iproute2",
    "ssh": "openssh-client",
    "ssh-keygen": "openssh-client",
    "unshare": "util-linux",
    "nsenter": "util-linux",
}
"""What is needed on this machine, and Debian's package for each."""

MOST = 250
"""Hosts that have an address in one fleet's network."""


class Process(msgspec.Struct, frozen=True):
    """A process that cannot be mistaken for a later one with its id: when it began, too."""

    pid: int
    began: str

    @classmethod
    def of(cls, pid: int) -> Process | None:
        """The process that has this id now; None where there is none, or only a zombie."""
        try:
            status = Path(f"/proc/{pid}/stat").read_text()
        except OSError:
            return None
        fields = status.rpartition(")")[2].split()  # from the third on, proc_pid_stat(5)
        return None if fields[0] in "ZX" else cls(pid, fields[19])

    def runs(self) -> bool:
        """Whether it is still there."""
        return Process.of(self.pid) == self


@dataclass(frozen=True, slots=True)
class Fleet:
    """Running hosts. ``state`` holds the key to them, their logs, and how to end them.

    As a context manager it ends them on the way out.
    """

    state: Path
    names: tuple[str, ...]

    @classmethod
    def start(
        cls,
        names: Sequence[str],
        layers: Layers | Mapping[str, Layers],
        *,
        state: Path | None = None,
        owner: int | None = None,
    ) -> Fleet:
        """Boot a host for each name and wait until all answer over ssh.

        ``layers`` are those of every host, or of each by its name. ``state`` must not exist yet
        (default: a new temporary directory); ``owner`` is the id of the process without which the
        fleet ends by itself. Raises :class:`RehearsalError`.
        """
        need_root("Starting test hosts")
        need_programs(PROGRAMS)
        state = _new_state(state)
        cgroups.sweep()
        try:
            spec = _write_spec(state, names, layers)
            supervisor = _start_supervisor(spec, owner)
            _write_ssh_config(spec, supervisor.pid)
            _await_ready(spec, supervisor)
        except BaseException:
            cls(state, tuple(names)).stop()
            raise
        return cls(state, tuple(names))

    @classmethod
    def at(cls, state: Path) -> Fleet:
        """The fleet that was started with this state directory, maybe by another process."""
        spec = _read_spec(state)
        return cls(spec.state, tuple(host.name for host in spec.hosts))

    @property
    def ssh_config(self) -> Path:
        """Configuration with which ``ssh -F`` reaches each host by its name, as root."""
        return self.state / "ssh_config"

    def environment(self) -> dict[str, str]:
        """What Ansible needs in its environment to reach the hosts by name, keys checked.

        The extra arguments come after those of an inventory and take nothing from them.
        """
        configuration = f"-F {shlex.quote(str(self.ssh_config))}"
        return {
            "ANSIBLE_SSH_EXTRA_ARGS": configuration,
            "ANSIBLE_SFTP_EXTRA_ARGS": configuration,
            "ANSIBLE_SCP_EXTRA_ARGS": configuration,
            "ANSIBLE_SSH_CONTROL_PATH_DIR": str(self.state / "cp"),
            "ANSIBLE_HOST_KEY_CHECKING": "true",
        }

    def run(self, name: str, command: str) -> subprocess.CompletedProcess[str]:
        """Run a shell command on a host as root; never raises for what the command does."""
        argv = ["ssh", "-F", str(self.ssh_config), "-o", "ControlMaster=auto",
                "-o", f"ControlPath={self.state}/cp/%C", "-o", "ControlPersist=60",
                name, "--", command]  # fmt: skip
        return subprocess.run(argv, capture_output=True, text=True, stdin=subprocess.DEVNULL)

    def read(self, name: str, path: str) -> str:
        """What a file on a host holds. Raises :class:`RehearsalError` where it cannot be read."""
        done = self.run(name, f"cat -- {shlex.quote(path)}")
        if done.returncode != 0:
            raise RehearsalError(f"{name}: {path}: {done.stderr.strip()}")
        return done.stdout

    def runs(self) -> bool:
        """Whether the fleet is still there."""
        supervisor = _recorded(self.state)
        return supervisor is not None and supervisor.runs()

    def stop(self) -> None:
        """End the hosts and forget them; what they wrote is gone. Safe to call again."""
        _end_connections(self.state)
        if supervisor := _recorded(self.state):
            _end(supervisor)
        with contextlib.suppress(RehearsalError):
            cgroups.remove(_read_spec(self.state).name)
        shutil.rmtree(self.state, ignore_errors=True)

    def __enter__(self) -> Fleet:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.stop()


def _new_state(state: Path | None) -> Path:
    """A directory only root reads; its path is short, since sockets live below it."""
    if state is None:
        state = Path(tempfile.mkdtemp(prefix="seatwright-"))
    state = state.absolute()
    connections = state / "cp"  # may be there: Ansible makes it again after a fleet has gone
    if state.exists() and set(state.iterdir()) - {connections}:
        raise RehearsalError(
            f"{state} is in use; test hosts may be running there.",
            f"End them first: python -m seatwright.rehearsal stop {state}",
        )
    state.mkdir(mode=0o700, parents=True, exist_ok=True)
    connections.mkdir(mode=0o700, exist_ok=True)
    return state


def _write_spec(
    state: Path, names: Sequence[str], layers: Layers | Mapping[str, Layers]
) -> FleetSpec:
    """Keys for the way in and for each host, the hosts' keys known before they boot."""
    if len(set(names)) != len(names) or not 0 < len(names) <= MOST:
        raise RehearsalError(f"A fleet has 1 to {MOST} hosts with different names.")
    access = _new_key(state / "key", "rehearsal")
    roots = layers if isinstance(layers, Mapping) else dict.fromkeys(names, layers)
    hosts = []
    known = []
    for number, name in enumerate(names, start=1):
        key = state / f"{name}.key"
        known.append(f"{name} {_new_key(key, name)}")
        hosts.append(HostSpec(name=name, number=number, key=key, layers=roots[name]))
    (state / "known_hosts").write_text("".join(known))
    spec = FleetSpec(
        name=secrets.token_hex(4),
        state=state,
        hosts=tuple(hosts),
        access_key=access,
    )
    (state / "fleet.json").write_bytes(spec.to_json())
    return spec


def _new_key(path: Path, comment: str) -> str:
    """Make an ssh key and return its public line."""
    run(["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-C", comment, "-f", str(path)])
    return path.with_name(f"{path.name}.pub").read_text()


def _read_spec(state: Path) -> FleetSpec:
    try:
        return FleetSpec.from_json((state / "fleet.json").read_bytes())
    except (OSError, msgspec.MsgspecError) as error:
        raise RehearsalError(f"No test hosts were started at {state}.") from error


def _start_supervisor(spec: FleetSpec, owner: int | None) -> Process:
    """Start the fleet's one process in namespaces of its own, apart from this terminal."""
    watched = () if owner is None else (os.pidfd_open(owner),)
    argv = [
        *cgroups.scope_command(spec.name),
        "unshare", "--mount", "--pid", "--net", "--ipc", "--fork", "--mount-proc",
        "--kill-child=KILL", sys.executable, "-m", "seatwright.rehearsal.supervise",
        str(spec.state / "fleet.json"), *map(str, watched),
    ]  # fmt: skip
    program = Path(__file__).parents[2]
    with (spec.state / "log").open("wb") as log:
        process = subprocess.Popen(
            argv,
            stdin=subprocess.DEVNULL,
            stdout=log,
            stderr=log,
            pass_fds=watched,
            start_new_session=True,
            env={**os.environ, "PYTHONPATH": str(program)},
        )
    for descriptor in watched:
        os.close(descriptor)
    started = Process.of(process.pid)
    if started is None:
        raise RehearsalError("The process of the test hosts ended at once.")
    (spec.state / "process.json").write_bytes(msgspec.json.encode(started))
    return started


def _await_ready(spec: FleetSpec, supervisor: Process) -> None:
    """Wait until the supervisor says that every host answers; it gives up by itself."""
    while not (spec.state / "ready").exists():
        if not _still_runs(supervisor):
            log = tail((spec.state / "log").read_text(errors="replace"))
            consoles = "\n".join(_console_end(spec, host) for host in spec.hosts[:3])
            raise RehearsalError(f"The test hosts did not start.\n{log}\n{consoles}")
        time.sleep(0.02)


def _still_runs(process: Process) -> bool:
    """Whether it runs; a child of ours that has ended is collected on the way."""
    with contextlib.suppress(ChildProcessError):
        os.waitpid(process.pid, os.WNOHANG)
    return process.runs()


def _console_end(spec: FleetSpec, host: HostSpec) -> str:
    console = spec.state / f"{host.name}.console"
    text = console.read_text(errors="replace") if console.exists() else "(nothing)"
    return f"-- console of {host.name}:\n{tail(text)}"


def _write_ssh_config(spec: FleetSpec, pid: int) -> None:
    """How ssh finds each host: through the fleet's network namespace, its key known."""
    enter = f"nsenter --net=/proc/{pid}/ns/net {shlex.quote(sys.executable)} -I -S"
    lines = [
        "Host *",
        f'  IdentityFile "{spec.state}/key"',
        "  IdentitiesOnly yes",
        f'  UserKnownHostsFile "{spec.state}/known_hosts"',
        "  GlobalKnownHostsFile /dev/null",
        "  StrictHostKeyChecking yes",
        f"  ProxyCommand {enter} {shlex.quote(dial.__file__)} %h %p",
        "  ProxyUseFdpass yes",
        "  LogLevel ERROR",
    ]
    for host in spec.hosts:
        names = f"{host.name} {host.name}.*"  # a site's addresses may be longer than its names
        lines += [f"Host {names}", f"  HostName {host.address}", f"  HostKeyAlias {host.name}"]
    lines += ["Host *", "  User root"]
    (spec.state / "ssh_config").write_text("\n".join(lines) + "\n")


def _recorded(state: Path) -> Process | None:
    """The supervisor that a state directory names."""
    try:
        return msgspec.json.decode((state / "process.json").read_bytes(), type=Process)
    except (OSError, msgspec.MsgspecError):
        return None


def _end_connections(state: Path) -> None:
    """Close the shared ssh connections that Ansible and :meth:`Fleet.run` left open."""
    for socket in (state / "cp").glob("*"):
        argv = ["ssh", "-F", "none", "-O", "exit", "-o", f"ControlPath={socket}", "host"]
        subprocess.run(argv, capture_output=True, stdin=subprocess.DEVNULL)


def _end(supervisor: Process) -> None:
    """End the supervisor, and with it every process of the fleet; wait until it is gone.

    Killing is right: nothing in a test host is worth a shutdown, and the kernel clears up.
    """
    with contextlib.suppress(ProcessLookupError):
        if supervisor.runs():
            os.kill(supervisor.pid, signal.SIGKILL)
    deadline = time.monotonic() + 30
    while _still_runs(supervisor):
        if time.monotonic() > deadline:
            raise RehearsalError(f"Process {supervisor.pid} does not end.")
        time.sleep(0.02)
