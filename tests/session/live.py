"""Parts of a live seat: a screen, a guest in QEMU with a SPICE server, the session between them.

Everything is on loopback and ends with the test. The guest has no disk: its firmware is what there
is to see.
"""

from __future__ import annotations

import json
import os
import socket
import subprocess
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import TypeVar

GENERATOR = Path(__file__).parents[2] / "generator"
ENTRY = GENERATOR / "seatwright/client/entry"
PYTHON = "/usr/bin/python3"
PLAYER = Path(__file__).with_name("mock_usb.py")
STARTING = 30.0
T = TypeVar("T")


def wait_for(what: str, look: Callable[[], T | None], seconds: float = STARTING) -> T:
    """The first true value of ``look``; an error that says what never came."""
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        value = look()
        if value:
            return value
        time.sleep(0.05)
    raise AssertionError(f"after {seconds} s still no {what}")


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def end(process: subprocess.Popen[bytes], seconds: float = 15) -> int:
    """End a process that a test started."""
    process.terminate()
    try:
        return process.wait(timeout=seconds)
    except subprocess.TimeoutExpired:
        process.kill()
        return process.wait()


def make_certificates(directory: Path, address: str = "127.0.0.1") -> None:
    """A CA of the site and a certificate of the host, good for its address."""
    directory.mkdir()
    extension = directory / "names"
    extension.write_text(f"subjectAltName=IP:{address}\n")
    ca, key = directory / "ca-cert.pem", directory / "ca-key.pem"
    request = directory / "request.pem"
    new = ["openssl", "req", "-newkey", "rsa:2048", "-nodes"]
    sign = ["openssl", "x509", "-req", "-days", "2", "-CAcreateserial"]
    for command in (
        [
            *new,
            "-x509",
            "-days",
            "2",
            "-subj",
            "/O=Fennmoor/CN=site CA",
            "-keyout",
            key,
            "-out",
            ca,
        ],
        [
            *new,
            "-subj",
            "/O=Fennmoor/CN=quay",
            "-keyout",
            directory / "server-key.pem",
            "-out",
            request,
        ],
        [
            *sign,
            "-in",
            request,
            "-CA",
            ca,
            "-CAkey",
            key,
            "-extfile",
            extension,
            "-out",
            directory / "server-cert.pem",
        ],
    ):
        subprocess.run([str(one) for one in command], check=True, capture_output=True)


@dataclass
class Guest:
    """A diskless guest with some redirection ports; ``filter`` is the host's, usb-redir's text."""

    directory: Path
    certificates: Path
    ports: int = 2
    filter: str = ""
    password: str = ""
    spice_port: int = field(default_factory=free_port)
    process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        qmp = self.directory / "qmp.sock"
        qmp.unlink(missing_ok=True)
        ticket = "password-secret=ticket" if self.password else "disable-ticketing=on"
        command = [
            "qemu-system-x86_64",
            "-accel",
            "tcg",
            "-m",
            "64",
            "-machine",
            "q35",
            "-nodefaults",
            "-display",
            "none",
            "-device",
            "qxl-vga",
            "-device",
            "qemu-xhci,id=xhci,p2=8,p3=8",
            "-object",
            f"secret,id=ticket,data={self.password}",
            "-spice",
            f"tls-port={self.spice_port},addr=127.0.0.1,x509-dir={self.certificates},{ticket}",
            "-qmp",
            f"unix:{qmp},server=on,wait=off",
        ]
        only = f",filter={self.filter}" if self.filter else ""
        for number in range(1, self.ports + 1):
            command += [
                "-chardev",
                f"spicevmc,name=usbredir,id=port{number}",
                "-device",
                f"usb-redir,chardev=port{number},id=redir{number},bus=xhci.0,port={number}{only}",
            ]
        with (self.directory / "guest.log").open("ab") as log:
            self.process = subprocess.Popen(command, stdout=log, stderr=log)
        wait_for("SPICE server", self.listens)

    def listens(self) -> bool:
        assert self.process is not None
        assert self.process.poll() is None, (self.directory / "guest.log").read_text()
        with socket.socket() as probe:
            return probe.connect_ex(("127.0.0.1", self.spice_port)) == 0

    def stop(self) -> None:
        if self.process is not None:
            end(self.process)
            self.process = None

    def ask(self, command: str, **arguments: object) -> object:
        """One question over QMP."""
        with socket.socket(socket.AF_UNIX) as line:
            line.connect(str(self.directory / "qmp.sock"))
            stream = line.makefile("rw")
            stream.readline()
            for one in (
                {"execute": "qmp_capabilities"},
                {"execute": command, "arguments": arguments},
            ):
                stream.write(json.dumps(one))
                stream.flush()
                answer = json.loads(stream.readline())
                while "event" in answer:
                    answer = json.loads(stream.readline())
        return answer["return"]

    def attached(self) -> int:
        """How many redirected devices the guest sees, by its own account."""
        return sum(
            self.ask("qom-get", path=f"/machine/peripheral/redir{number}", property="attached")
            is True
            for number in range(1, self.ports + 1)
        )


class JournalSocket:
    """Takes the session's structured lines as the journal would."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.lines: list[dict[str, str]] = []
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.bind(str(path))
        path.chmod(0o666)
        threading.Thread(target=self._read, daemon=True).start()

    def events(self) -> list[str]:
        return [line["SEATWRIGHT_EVENT"] for line in self.lines]

    def of(self, event: str) -> list[dict[str, str]]:
        return [line for line in self.lines if line["SEATWRIGHT_EVENT"] == event]

    def first(self, event: str) -> dict[str, str]:
        """The first line of an event, once it is there: the state file is written before it."""
        return wait_for(f"the line {event}", lambda: self.of(event))[0]

    def _read(self) -> None:
        while data := self._socket.recv(65536):
            fields = (line.partition("=") for line in data.decode().splitlines())
            self.lines.append({name: value for name, _, value in fields})


def configuration(guest: Guest, **changes: object) -> dict[str, object]:
    """A session.json for this guest."""
    return {
        "format": 1,
        "seat": "rr-01",
        "site_title": "Fennmoor Town Archive",
        "room": "reading-room",
        "room_title": "Reading room",
        "guest": "rr-01",
        "host": "127.0.0.1",
        "tls_port": guest.spice_port,
        "ca_file": str(guest.certificates / "ca-cert.pem"),
        "language": "en",
        "restart": "if-idle",
        "idle_after": 600,
        **changes,
    }


@dataclass
class Seat:
    """A session under a screen, with USB devices that umockdev plays."""

    directory: Path
    display: str
    guest: Guest
    rules: dict[str, object]
    session: dict[str, object] = field(default_factory=dict)
    environment: dict[str, str] = field(default_factory=dict)
    player: Path = PLAYER
    around: list[str] = field(default_factory=list)
    process: subprocess.Popen[bytes] | None = None

    def __post_init__(self) -> None:
        self.run = self.directory / "run"
        self.run.mkdir()
        self.journal = JournalSocket(self.directory / "journal.sock")

    def command(self) -> list[str]:
        """Configuration on the disk, and how to start the session with it."""
        (self.directory / "rules.json").write_text(json.dumps(self.rules))
        config = configuration(self.guest, **self.session)
        (self.directory / "session.json").write_text(json.dumps(config))
        return [
            PYTHON,
            "-m",
            "seatwright.client.session",
            "--session",
            str(self.directory / "session.json"),
            "--rules",
            str(self.directory / "rules.json"),
            "--run",
            str(self.run),
            "--journal",
            str(self.journal.path),
        ]

    def start(self, *first: dict[str, object]) -> None:
        """Begin with these devices plugged in."""
        player = [PYTHON, str(self.player)]
        environment = {
            "PATH": os.environ["PATH"],
            "HOME": str(self.directory),
            "DISPLAY": self.display,
            "GDK_BACKEND": "x11",
            "PYTHONPATH": str(GENERATOR),
            "PYTHONDONTWRITEBYTECODE": "1",
            "SPICE_USB_ACL_BINARY": str(ENTRY / "seat-usb-access"),
            "MOCK_USB_FIRST": "\n".join(json.dumps(one) for one in first),
            **self.environment,
        }
        with (self.directory / "session.log").open("ab") as log:
            self.process = subprocess.Popen(
                [*self.around, "umockdev-wrapper", *player, *self.command()],
                env=environment,
                stdin=subprocess.PIPE,
                stdout=log,
                stderr=log,
            )

    def stop(self) -> None:
        """The end of its input ends the player of devices, and that the session."""
        if self.process is not None:
            assert self.process.stdin is not None
            self.process.stdin.close()
            try:
                self.process.wait(timeout=15)
            except subprocess.TimeoutExpired:
                end(self.process)
            self.process = None
            log = (self.directory / "session.log").read_text()
            assert "CRITICAL" not in log and "Traceback" not in log, log

    def plug(self, place: str, **device: object) -> None:
        self._order({"plug": place, **device})

    def pull(self, place: str) -> None:
        self._order({"pull": place})

    def _order(self, order: dict[str, object]) -> None:
        assert self.process is not None and self.process.stdin is not None
        self.process.stdin.write(json.dumps(order).encode() + b"\n")
        self.process.stdin.flush()

    def state(self) -> dict[str, object]:
        """What it publishes; {} before it does."""
        try:
            value = json.loads((self.run / "state.json").read_text())
        except FileNotFoundError:
            return {}
        assert isinstance(value, dict)
        return value

    def ids(self, which: str = "redirected") -> list[str]:
        devices = self.state().get(which, [])
        assert isinstance(devices, list)
        return [one["id"] for one in devices]

    def is_(self, state: str) -> None:
        """Wait for a state."""
        try:
            wait_for(f"state {state}", lambda: self.state().get("state") == state)
        except AssertionError as error:
            log = (self.directory / "session.log").read_text()
            raise AssertionError(f"{error}\n{self.state()}\n{log}") from None

    def has(self, *ids: str, which: str = "redirected") -> None:
        """Wait until exactly these devices are there."""
        try:
            wait_for(f"{which} {ids}", lambda: sorted(self.ids(which)) == sorted(ids))
        except AssertionError as error:
            raise AssertionError(f"{error}\n{self.state()}\n{self.journal.lines}") from None

    def wakeups(self) -> int:
        """How often the session's threads have waited for something so far (proc(5))."""
        command = f"^{PYTHON} -m seatwright.client.session --session {self.directory}/"
        found = subprocess.run(["pgrep", "-f", command], capture_output=True, check=True)
        tasks = Path(f"/proc/{int(found.stdout)}/task").iterdir()
        lines = [line for task in tasks for line in (task / "status").read_text().splitlines()]
        return sum(
            int(line.split()[1]) for line in lines if line.startswith("voluntary_ctxt_switches")
        )

    def keys(self, *keys: str) -> None:
        """Press keys as a person would."""
        for key in keys:
            subprocess.run(
                ["xdotool", "key", key], env={**os.environ, "DISPLAY": self.display}, check=True
            )
            time.sleep(0.2)
