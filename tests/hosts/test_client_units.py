"""The session's units under a real systemd: coming up, stopping, failing, going back, waiting.

The host has no screen and no guest, so the session shows why; for systemd it is up all the same.
"""

from __future__ import annotations

import io
import json
import shlex
import subprocess
import tarfile
import time
from pathlib import Path

import pytest

from seatwright.rehearsal.fleet import Fleet
from seatwright.render.roles import seat_programs

ROOT = Path(__file__).parents[2]
UNITS = ROOT / "templates/roles/seat_autostart/files"
KEEPER = "/usr/lib/seatwright/seat-keeper"
SESSION = "seatwright-session.service"
FALL_BACK = "seatwright-fallback.service"
RULES = "/etc/seatwright/rules.json"
KEPT = "-1,-1,-1,-1,0"
SEAT = "front-01"
IDLE_AFTER = 3


def programs() -> dict[str, bytes]:
    """The programs, laid out as on a seat."""
    entries = "seatwright/client/entry/"
    return {
        f"/usr/lib/seatwright/{path.removeprefix(entries)}": file.content
        for path, file in seat_programs().items()
    }


def configuration() -> dict[str, bytes]:
    session = {
        "format": 1, "seat": SEAT, "site_title": "Fennmoor Town Archive", "room": "front-desk",
        "room_title": "Front desk", "guest": SEAT, "host": "127.0.0.1", "tls_port": 5999,
        "ca_file": "/etc/seatwright/ca.pem", "language": "en", "restart": "if-idle",
        "idle_after": IDLE_AFTER,
    }  # fmt: skip
    rules = {"format": 1, "redirect": KEPT, "permitted": KEPT, "onboard": [], "sockets": []}
    model = {"name": "ridge", "network": "usb", "onboard": [], "sockets": []}
    env = "WLR_BACKENDS=headless\nWLR_RENDERER=pixman\nWLR_LIBINPUT_NO_DEVICES=1\n"
    units = {f"/etc/systemd/system/{one.name}": one.read_bytes()
             for one in UNITS.glob("seatwright-*")}  # fmt: skip
    return {
        "/etc/seatwright/session.json": json.dumps(session).encode(),
        RULES: json.dumps(rules).encode(),
        "/etc/seatwright/model.json": json.dumps(model).encode(),
        "/etc/seatwright/session.env": env.encode(),
        **units,
    }


class Desk:
    """One host, and what a test asks of it."""

    def __init__(self, fleet: Fleet) -> None:
        self._fleet = fleet

    def run(self, command: str, status: int | None = 0) -> str:
        done = self._fleet.run(SEAT, command)
        if status is not None and done.returncode != status:
            journal = self._fleet.run(SEAT, "journalctl --no-pager --lines 60").stdout
            raise AssertionError(
                f"{command}: {done.returncode} {done.stdout}{done.stderr}{journal}"
            )
        return done.stdout

    def put(self, files: dict[str, bytes]) -> None:
        archive = io.BytesIO()
        with tarfile.open(fileobj=archive, mode="w") as tar:
            for path, data in files.items():
                entry = tarfile.TarInfo(path.lstrip("/"))
                entry.size = len(data)
                script = path.startswith("/usr/lib/seatwright/seat-")
                entry.mode = 0o755 if script else 0o644
                tar.addfile(entry, io.BytesIO(data))
        subprocess.run(
            ["ssh", "-F", str(self._fleet.ssh_config), SEAT, "tar -xC / --no-same-owner"],
            input=archive.getvalue(), check=True, capture_output=True,
        )  # fmt: skip

    def install(self) -> dict[str, bytes]:
        """As the roles do it: user, files, their list."""
        files = {**programs(), **configuration()}
        manifest = {"format": 1, "list": "seat", "session": True,
                    "files": [{"path": path} for path in sorted(files)]}  # fmt: skip
        self.run("useradd --system --user-group --no-create-home --home-dir /nonexistent "
                 "--shell /usr/sbin/nologin seat")  # fmt: skip
        self.put({**files, "/var/lib/seatwright/files/seat.json": json.dumps(manifest).encode()})
        return files

    def state(self) -> dict[str, object]:
        value = json.loads(self.run(f"{KEEPER} state --json"))
        assert isinstance(value, dict)
        return value

    def restart(self, mode: str, status: int = 0) -> dict[str, object]:
        value = json.loads(self.run(f"{KEEPER} restart --mode {mode} --wait 150", status))
        assert isinstance(value, dict)
        return value

    def say_idle(self, idle: bool) -> None:
        """In the session's place and as its user; it writes only when something changes."""
        state = json.dumps({"format": 1, "idle": idle})
        script = f"cd /run/seatwright && echo {shlex.quote(state)} > new && mv new state.json"
        self.run(f"setpriv --reuid seat --regid seat --init-groups sh -c {shlex.quote(script)}")

    def show(self, unit: str, name: str) -> str:
        return self.run(f"systemctl show --value --property {name} {unit}").strip()

    def went_back(self) -> bool:
        """Whether the unit that goes back ever ran."""
        return self.show(FALL_BACK, "ExecMainStartTimestampMonotonic") != "0"

    def wait(self, what: str, value: object, seconds: float = 30) -> None:
        until = time.monotonic() + seconds
        while self.state()[what] != value:
            assert time.monotonic() < until, (what, self.state())
            time.sleep(0.5)


@pytest.fixture
def desk(fleet: Fleet) -> Desk:
    return Desk(fleet)


@pytest.mark.names(SEAT)
def test_a_session_under_systemd(desk: Desk, capsys: pytest.CaptureFixture[str]) -> None:
    files = desk.install()
    assert desk.run("systemd-analyze verify /etc/systemd/system/seatwright-*", None) == ""
    began = time.monotonic()
    started = desk.restart("if-idle")
    took = time.monotonic() - began
    assert (started["did"], started["outcome"]) == ("start", "up")
    state = desk.state()
    assert (state["session"], state["pending"]) == ("active", False)
    assert state["good"] == state["disk"]
    assert desk.run("stat -c '%U %a' /run/seatwright /run/seatwright/*").split("\n")[:1] == [
        "root 1775"
    ]
    assert desk.run("ps -o user= -C cage").split() == ["seat"]

    # stopping and starting is no failure
    began = time.monotonic()
    desk.run(f"systemctl stop {SESSION}")
    stop = time.monotonic() - began
    assert desk.show(SESSION, "Result") == "success"
    assert desk.show(SESSION, "ActiveState") == "inactive"
    desk.run(f"systemctl start {SESSION}")
    desk.run(f"systemctl restart {SESSION}")
    assert not desk.went_back()

    # a session that is killed comes back by itself
    desk.run("pkill -KILL -f seat-session --oldest --uid seat")
    desk.wait("session", "active")
    assert not desk.went_back()

    # files that do not come up: the files before are back, the session runs, and it is told once
    desk.put({RULES: b"nonsense"})
    broken = desk.state()["disk"]
    began = time.monotonic()
    failed = desk.restart("now", status=1)
    back = time.monotonic() - began
    assert (failed["did"], failed["outcome"]) == ("restart", "fell-back")
    assert desk.run(f"cat {RULES}").encode() == files[RULES]
    state = desk.state()
    assert (state["session"], state["pending"], state["refused"]) == ("active", False, [broken])
    assert desk.went_back()
    desk.put({RULES: b"nonsense"})
    assert desk.restart("now", status=1)["did"] == "refuse"
    assert desk.state()["session"] == "active"
    with capsys.disabled():
        print(f"\nunder systemd: start {took:.1f} s, stop {stop:.1f} s, way back {back:.1f} s")


@pytest.mark.names(SEAT)
def test_a_restart_waits_until_nobody_uses_the_seat(desk: Desk) -> None:
    desk.install()
    desk.restart("if-idle")
    desk.wait("idle", True)  # from here on it has nothing new to say
    desk.say_idle(False)
    rules = json.loads(configuration()[RULES])
    desk.put({RULES: json.dumps({**rules, "names": {"1209:0003": "Card reader"}}).encode()})
    assert desk.restart("never")["did"] == "leave"
    assert desk.restart("if-idle")["did"] == "wait"
    assert desk.show("seatwright-restart.timer", "ActiveState") == "active"
    assert desk.state()["pending"] is True
    desk.say_idle(True)
    desk.run("systemctl start seatwright-restart.service")  # what the timer does each minute
    state = desk.state()
    assert (state["session"], state["pending"]) == ("active", False)
    assert state["restart_wanted"] is False
    assert desk.show("seatwright-restart.timer", "ActiveState") == "inactive"
    desk.wait("idle", True)  # and the new session says so itself
