"""The session as on a seat: under cage, without a screen, as a user without rights.

The programs are laid out as on a seat, so that nothing of seatwright is there that is not.
"""

from __future__ import annotations

import json
import os
import shutil
import socket
import subprocess
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from live import GENERATOR, Guest, JournalSocket, configuration, end, wait_for

NOBODY = 65534
MOST_MEMORY = 100_000
"""kB of the session itself; about 60,000 to 70,000 are usual."""


@pytest.fixture
def place() -> Iterator[Path]:
    """A directory that everybody may enter, unlike pytest's own."""
    directory = Path(tempfile.mkdtemp(prefix="seat-", dir="/tmp"))
    directory.chmod(0o755)
    yield directory
    shutil.rmtree(directory)


def install(place: Path) -> Path:
    """Programs as on a seat."""
    programs = place / "lib"
    package = programs / "seatwright"
    source = GENERATOR / "seatwright"
    for name in ("__init__", "usb/__init__", "usb/device", "usb/filter", "usb/portpath"):
        (package / name).parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(source / f"{name}.py", package / f"{name}.py")
    shutil.copytree(
        source / "client", package / "client", ignore=shutil.ignore_patterns("__pycache__")
    )
    for name in ("seat-session", "seat-keeper", "seat-usb-access"):
        text = (source / "client/entry" / name).read_text()
        (programs / name).write_text(text.replace("/usr/lib/seatwright", str(programs)))
        (programs / name).chmod(0o755)
    return programs


def configure(place: Path, guest: Guest) -> None:
    kept = "-1,-1,-1,-1,0"
    rules = {"format": 1, "redirect": kept, "permitted": kept, "onboard": [], "sockets": []}
    shutil.copy(guest.certificates / "ca-cert.pem", place / "ca.pem")
    (place / "ca.pem").chmod(0o644)
    (place / "rules.json").write_text(json.dumps(rules))
    config = configuration(guest, ca_file=str(place / "ca.pem"))
    (place / "session.json").write_text(json.dumps(config))


def test_a_session_under_the_compositor(
    place: Path, make_guest: Callable[..., Guest], capsys: pytest.CaptureFixture[str]
) -> None:
    guest = make_guest()
    guest.start()
    programs = install(place)
    configure(place, guest)
    run = place / "run"
    for directory in (run, place / "xdg"):
        directory.mkdir(mode=0o700)
        if os.geteuid() == 0:
            os.chown(directory, NOBODY, NOBODY)
    journal = JournalSocket(place / "journal.sock")
    ready = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    ready.bind(str(place / "notify"))
    (place / "notify").chmod(0o666)
    ready.settimeout(30)
    drop = ["setpriv", f"--reuid={NOBODY}", f"--regid={NOBODY}", "--clear-groups"]
    session = [
        str(programs / "seat-session"),
        "--session",
        str(place / "session.json"),
        "--rules",
        str(place / "rules.json"),
        "--run",
        str(run),
        "--journal",
        str(journal.path),
    ]
    environment = {
        "PATH": "/usr/bin:/bin",
        "HOME": str(run),
        "XDG_RUNTIME_DIR": str(place / "xdg"),
        "NOTIFY_SOCKET": str(place / "notify"),
        "WLR_BACKENDS": "headless",
        "WLR_RENDERER": "pixman",
        "WLR_LIBINPUT_NO_DEVICES": "1",
        "SPICE_USB_ACL_BINARY": str(programs / "seat-usb-access"),
    }
    began = time.monotonic()
    with (place / "log").open("wb") as log:
        cage = subprocess.Popen(
            [*(drop if os.geteuid() == 0 else []), "/usr/bin/cage", "--", *session],
            env=environment,
            stdout=log,
            stderr=log,
            cwd="/",
        )
    try:
        assert ready.recv(200).startswith(b"READY=1\n")
        up = time.monotonic() - began
        wait_for("picture", lambda: "shown" in (run / "state.json").read_text())
        picture = time.monotonic() - began
        child = int(
            subprocess.run(
                ["pgrep", "-f", "-P", str(cage.pid), "seat-session"],
                capture_output=True,
                text=True,
                check=True,
            ).stdout.split()[0]
        )
        memory = resident(child)
        stopped = subprocess.run(
            [str(programs / "seat-keeper"), "stop", "--wait", "20"],
            env={**environment, "MAINPID": str(cage.pid)},
            capture_output=True,
            text=True,
        )
        assert stopped.returncode == 0, stopped
        assert cage.wait(timeout=20) == 0, (place / "log").read_text()
        assert journal.events() == ["session-up", "connected", "session-ended"]
    finally:
        if cage.poll() is None:
            end(cage)
        ready.close()
    with capsys.disabled():
        print(
            f"\nsession under cage: up after {up:.1f} s, picture after {picture:.1f} s, "
            f"{memory // 1000} MB resident"
        )
    assert memory < MOST_MEMORY


def resident(pid: int) -> int:
    """kB, from /proc/PID/status (proc(5))."""
    lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith("VmRSS:"))
