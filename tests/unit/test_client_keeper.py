"""The keeper below a root of its own, with a systemctl that only notes what it was asked."""

from __future__ import annotations

import hashlib
import json
import os
import random
import stat
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from seatwright.client import goodcopy, keeper
from seatwright.client.goodcopy import GoodCopyError, read_index
from seatwright.client.layout import Layout

SESSION_FILES = {
    "/etc/seatwright/session.json": b'{"seat": "rr-01"}\n',
    "/etc/seatwright/rules.json": b"{}\n",
    "/etc/systemd/system/seatwright-session.service": b"[Service]\n",
}

FAKE_SYSTEMCTL = """#!/bin/sh
echo "$@" >> {log}
case "$1" in
show) echo "LoadState=loaded"; cat {state} ;;
restart) [ -e {broken} ] && exit 1; echo "ActiveState=active" > {state} ;;
esac
exit 0
"""


@dataclass
class Seat:
    """A root with a keeper and the means to change what is installed."""

    root: Path
    systemctl: str

    @property
    def calls(self) -> list[str]:
        log = self.root / "calls"
        return log.read_text().splitlines() if log.exists() else []

    def run(self, *arguments: str) -> int:
        """A way back is only ever asked of a session that failed."""
        if arguments[0] == "fall-back":
            self.session_is("failed")
        called = ["--systemctl", self.systemctl] if self.systemctl else []
        return keeper.main(["--root", str(self.root), *called, *arguments])

    def install(
        self,
        files: dict[str, bytes],
        name: str = "seat_session",
        session: bool = True,
        links: dict[str, str] | None = None,
    ) -> None:
        """As the installer does it: new files, the former list's others removed, the list."""
        manifest = self.root / f"var/lib/seatwright/files/{name}.json"
        links = links or {}
        old = json.loads(manifest.read_text()) if manifest.exists() else {}
        for path, data in files.items():
            self.path(path).parent.mkdir(parents=True, exist_ok=True)
            self.path(path).write_bytes(data)
        for path, target in links.items():
            self.path(path).parent.mkdir(parents=True, exist_ok=True)
            self.path(path).unlink(missing_ok=True)
            self.path(path).symlink_to(target)
        for entry in (*old.get("files", ()), *old.get("links", ())):
            if entry["path"] not in {*files, *links}:
                self.path(entry["path"]).unlink(missing_ok=True)
        manifest.parent.mkdir(parents=True, exist_ok=True)
        entries = [{"path": path, "mode": "0644"} for path in sorted(files)]
        document = {"format": 1, "list": name, "session": session, "files": entries}
        if links:
            document["links"] = [{"path": path, "target": to} for path, to in links.items()]
        manifest.write_text(json.dumps(document))

    def path(self, path: str) -> Path:
        return self.root / path.lstrip("/")

    def session_is(self, active_state: str) -> None:
        (self.root / "unit-state").write_text(f"ActiveState={active_state}\n")

    def new_session_fails(self) -> None:
        (self.root / "broken").touch()

    def come_up(self) -> None:
        assert self.run("started") == 0
        assert self.run("keep", "--settle", "0") == 0

    def installed(self) -> dict[str, tuple[bytes, int]]:
        """Everything installed, manifests included."""
        found = {}
        for top in ("etc", "usr", "var/lib/seatwright/files"):
            for path in sorted((self.root / top).rglob("*")):
                if path.is_symlink():
                    found[str(path.relative_to(self.root))] = (os.readlink(path).encode(), 0)
                elif path.is_file():
                    mode = stat.S_IMODE(path.stat().st_mode)
                    found[str(path.relative_to(self.root))] = (path.read_bytes(), mode)
        return found

    def digest(self) -> str:
        layout = Layout(self.root)
        return keeper.Keeper(layout, keeper.Services(layout, None, "udevadm")).digest()


@pytest.fixture
def seat(tmp_path: Path) -> Seat:
    fake = tmp_path / "systemctl"
    fake.write_text(
        FAKE_SYSTEMCTL.format(
            log=tmp_path / "calls", state=tmp_path / "unit-state", broken=tmp_path / "broken"
        )
    )
    fake.chmod(0o755)
    seat = Seat(tmp_path, str(fake))
    seat.session_is("active")
    seat.install(SESSION_FILES)
    return seat


def state(seat: Seat, capsys: pytest.CaptureFixture[str]) -> dict[str, object]:
    capsys.readouterr()
    assert seat.run("state", "--json") == 0
    value = json.loads(capsys.readouterr().out)
    assert isinstance(value, dict)
    return value


def restart(
    seat: Seat, capsys: pytest.CaptureFixture[str], *arguments: str, status: int = 0
) -> dict[str, object]:
    capsys.readouterr()
    assert seat.run("restart", "--wait", "0", *arguments) == status
    value = json.loads(capsys.readouterr().out)
    assert isinstance(value, dict)
    return value


def publish(seat: Seat, **values: object) -> None:
    run = seat.root / "run/seatwright"
    run.mkdir(parents=True, exist_ok=True)
    (run / "state.json").write_text(json.dumps({"format": 1, **values}))


def test_the_digest_sees_content_mode_presence_and_nothing_else(seat: Seat) -> None:
    first = seat.digest()
    rules = seat.path("/etc/seatwright/rules.json")
    os.utime(rules, (1, 1))
    assert seat.digest() == first
    rules.chmod(0o600)
    second = seat.digest()
    rules.chmod(0o644)
    rules.write_bytes(b"{ }\n")
    third = seat.digest()
    rules.unlink()
    fourth = seat.digest()
    assert len({first, second, third, fourth}) == 4


def test_lists_the_session_does_not_depend_on_do_not_count(seat: Seat) -> None:
    before = seat.digest()
    seat.install({"/etc/sudoers.d/ops": b"x"}, name="access", session=False)
    assert seat.digest() == before


def test_a_session_that_came_up_is_kept_once(
    seat: Seat, capsys: pytest.CaptureFixture[str]
) -> None:
    seat.come_up()
    assert "are kept" in capsys.readouterr().out
    index = seat.root / "var/lib/seatwright/good/index.json"
    stamp = index.stat().st_ino
    seat.come_up()
    assert "kept already" in capsys.readouterr().out
    assert index.stat().st_ino == stamp
    assert state(seat, capsys)["good"] == seat.digest()


def test_contents_of_an_older_copy_are_not_hoarded(seat: Seat) -> None:
    seat.come_up()
    seat.install({**SESSION_FILES, "/etc/seatwright/rules.json": b"[1]"})
    seat.come_up()
    blobs = list((seat.root / "var/lib/seatwright/good/blobs").iterdir())
    assert len(blobs) == len(SESSION_FILES) + 1  # and the manifest
    assert {stat.S_IMODE(blob.stat().st_mode) for blob in blobs} == {0o600}


def test_a_session_that_ends_at_once_is_not_kept(
    seat: Seat, monkeypatch: pytest.MonkeyPatch
) -> None:
    ended = subprocess.Popen(["true"])
    ended.wait()
    monkeypatch.setenv("MAINPID", str(ended.pid))
    assert seat.run("started") == 0
    assert seat.run("keep", "--settle", "0.01") == 1
    assert not (seat.root / "var/lib/seatwright/good/index.json").exists()


def test_files_that_changed_after_the_start_are_not_kept(
    seat: Seat, capsys: pytest.CaptureFixture[str]
) -> None:
    assert seat.run("started") == 0
    seat.path("/etc/seatwright/rules.json").write_bytes(b"later")
    assert seat.run("keep", "--settle", "0") == 0
    assert "changed since" in capsys.readouterr().err
    assert read_index(seat.root / "var/lib/seatwright/good") is None


def new_version(seat: Seat) -> None:
    """One file changed, one new, one gone."""
    files = {**SESSION_FILES, "/etc/seatwright/rules.json": b"wrong"}
    del files["/etc/systemd/system/seatwright-session.service"]
    seat.install({**files, "/usr/lib/seatwright/extra.py": b"new"})


def test_the_way_back_restores_everything_and_removes_what_is_new(
    seat: Seat, capsys: pytest.CaptureFixture[str]
) -> None:
    seat.path("/etc/seatwright/session.json").chmod(0o640)
    seat.come_up()
    good = seat.installed()
    new_version(seat)
    failed = seat.digest()
    assert seat.run("started") == 0
    assert seat.run("fall-back", "--pause", "0") == 0
    assert seat.installed() == good
    assert (seat.root / "var/lib/seatwright/refused").read_text() == f"{failed}\n"
    assert not (seat.root / "var/lib/seatwright/falling-back").exists()
    assert [call for call in seat.calls if not call.startswith("show")] == [
        "daemon-reload",
        "reset-failed seatwright-session.service",
        "restart --no-block seatwright-session.service",
    ]
    seat.come_up()
    assert state(seat, capsys)["pending"] is False


def test_links_are_files_too(seat: Seat) -> None:
    """Enabled and masked units are symbolic links in the lists."""
    unit = "/etc/systemd/system/getty@.service"
    other = "/etc/systemd/system/autovt@.service"
    seat.install(SESSION_FILES, links={unit: "/dev/null", other: "/dev/null"})
    seat.come_up()
    good, digest = seat.installed(), seat.digest()
    seat.install(SESSION_FILES, links={unit: "/dev/zero", "/etc/systemd/system/x": "/dev/null"})
    assert seat.digest() != digest
    assert seat.run("started") == 0
    assert seat.run("fall-back", "--pause", "0") == 0
    assert seat.installed() == good
    assert seat.digest() == digest


def test_a_file_is_checked_before_it_goes_live(
    seat: Seat, capsys: pytest.CaptureFixture[str]
) -> None:
    rules = seat.root / "rules.json"
    rules.write_text(
        json.dumps(
            {
                "format": 1,
                "redirect": "-1,-1,-1,-1,0",
                "permitted": "-1,-1,-1,-1,0",
                "onboard": [],
                "sockets": [],
            }
        )
    )
    assert seat.run("check", "rules", str(rules)) == 0
    assert seat.run("check", "session", str(rules)) == 1
    assert f"\n{rules}: seat: is missing\n" in capsys.readouterr().out


def test_the_way_back_leaves_files_of_other_lists(seat: Seat) -> None:
    seat.install({"/etc/sudoers.d/ops": b"x"}, name="access", session=False)
    seat.come_up()
    new_version(seat)
    seat.install({"/etc/sudoers.d/ops": b"x"}, name="access", session=True)
    assert seat.run("started") == 0
    assert seat.run("fall-back", "--pause", "0") == 0
    assert seat.path("/etc/sudoers.d/ops").exists()
    assert (seat.root / "var/lib/seatwright/files/access.json").exists()


def test_refused_files_are_not_started_again(
    seat: Seat, capsys: pytest.CaptureFixture[str]
) -> None:
    seat.come_up()
    good = seat.installed()
    new_version(seat)
    assert seat.run("started") == 0
    assert seat.run("fall-back", "--pause", "0") == 0
    seat.come_up()
    new_version(seat)  # the installer comes again with the same files
    assert restart(seat, capsys, "--mode", "now", status=1)["did"] == "refuse"
    assert seat.run("started") == 1  # as after a boot
    assert seat.run("fall-back", "--pause", "0") == 0
    assert seat.installed() == good


def test_refused_files_are_tried_again_when_somebody_insists(
    seat: Seat, capsys: pytest.CaptureFixture[str]
) -> None:
    seat.come_up()
    new_version(seat)
    assert seat.run("started") == 0
    assert seat.run("fall-back", "--pause", "0") == 0
    new_version(seat)
    result = restart(seat, capsys, "--mode", "now", "--insist")
    assert (result["did"], result["outcome"]) == ("restart", "up")
    seat.come_up()
    assert state(seat, capsys)["good"] == seat.digest()
    assert state(seat, capsys)["refused"] == []


def test_without_a_copy_the_session_is_tried_again(
    seat: Seat, capsys: pytest.CaptureFixture[str]
) -> None:
    before = seat.installed()
    assert seat.run("started") == 0
    assert seat.run("fall-back", "--pause", "0") == 0
    assert "nothing to go back to" in capsys.readouterr().out
    assert seat.installed() == before
    assert seat.calls[-1] == "restart --no-block seatwright-session.service"
    assert state(seat, capsys)["refused"] == []


def test_good_files_that_fail_are_not_refused(
    seat: Seat, capsys: pytest.CaptureFixture[str]
) -> None:
    """A broken screen is no reason to distrust the files."""
    seat.come_up()
    assert seat.run("fall-back", "--pause", "0") == 0
    assert state(seat, capsys)["refused"] == []


def test_files_that_nobody_tried_yet_get_their_turn(
    seat: Seat, capsys: pytest.CaptureFixture[str]
) -> None:
    seat.come_up()
    new_version(seat)  # waits for idle; the running session fails meanwhile
    now = seat.installed()
    assert seat.run("fall-back", "--pause", "0") == 0
    assert seat.installed() == now
    assert state(seat, capsys)["refused"] == []


def test_a_session_that_runs_needs_no_way_back(
    seat: Seat, capsys: pytest.CaptureFixture[str]
) -> None:
    seat.come_up()
    new_version(seat)
    assert seat.run("started") == 0
    before = seat.installed()
    arguments = ["--root", str(seat.root), "--systemctl", seat.systemctl]
    assert keeper.main([*arguments, "fall-back"]) == 0
    assert "the session runs" in capsys.readouterr().out
    assert seat.installed() == before


def test_stopping_ends_what_the_compositor_shows(monkeypatch: pytest.MonkeyPatch) -> None:
    """The compositor (a shell here) ends by itself when its child has ended."""
    compositor = subprocess.Popen(
        ["sh", "-c", "sleep 1000 & echo $!; wait $!; exit 3"], stdout=subprocess.PIPE, text=True
    )
    assert compositor.stdout is not None
    child = int(compositor.stdout.readline())
    monkeypatch.setenv("MAINPID", str(compositor.pid))
    assert keeper.children(compositor.pid) == (child,)
    assert keeper.main(["stop", "--wait", "20"]) == 0
    assert compositor.wait(timeout=20) == 3
    assert keeper.children(compositor.pid) == ()


def test_a_damaged_copy_changes_nothing(seat: Seat, capsys: pytest.CaptureFixture[str]) -> None:
    seat.come_up()
    blob = sorted((seat.root / "var/lib/seatwright/good/blobs").iterdir())[0]
    blob.write_bytes(b"rot")
    new_version(seat)
    before = seat.installed()
    assert seat.run("started") == 0
    assert seat.run("fall-back", "--pause", "0") == 0
    assert "damaged" in capsys.readouterr().err
    assert seat.installed() == before
    assert seat.calls[-1] == "restart --no-block seatwright-session.service"


@pytest.mark.parametrize(
    ("active", "pending", "idle", "mode", "did"),
    [
        ("active", False, True, "now", "nothing"),
        ("active", True, False, "now", "restart"),
        ("active", True, True, "if-idle", "restart"),
        ("active", True, False, "if-idle", "wait"),
        ("active", True, True, "never", "leave"),
        ("activating", True, False, "if-idle", "restart"),
        ("failed", True, False, "never", "start"),
        ("inactive", False, False, "if-idle", "start"),
    ],
)
def test_when_a_restart_happens(
    seat: Seat,
    capsys: pytest.CaptureFixture[str],
    active: str,
    pending: bool,
    idle: bool,
    mode: str,
    did: str,
) -> None:
    seat.come_up()
    if pending:
        new_version(seat)
    publish(seat, idle=idle)
    seat.session_is(active)
    assert restart(seat, capsys, "--mode", mode)["did"] == did
    restarts = [call for call in seat.calls if call.startswith("restart")]
    assert restarts == (
        ["restart seatwright-session.service"] if did in ("restart", "start") else []
    )


def test_a_restart_that_waits_is_done_when_the_seat_is_idle(
    seat: Seat, capsys: pytest.CaptureFixture[str]
) -> None:
    seat.come_up()
    new_version(seat)
    publish(seat, idle=False)
    assert restart(seat, capsys, "--mode", "if-idle")["did"] == "wait"
    assert (seat.root / "run/seatwright/restart-wanted").exists()
    assert "start --no-block seatwright-restart.timer" in seat.calls
    publish(seat, idle=True)
    result = restart(seat, capsys, "--mode", "if-idle")
    assert (result["did"], result["outcome"]) == ("restart", "up")
    assert not (seat.root / "run/seatwright/restart-wanted").exists()
    assert "stop --no-block seatwright-restart.timer" in seat.calls


@pytest.mark.parametrize("text", ["", "[]", "{", '{"format": 2, "idle": true}', '{"idle": "yes"}'])
def test_a_state_that_cannot_be_believed_counts_as_in_use(
    seat: Seat, capsys: pytest.CaptureFixture[str], text: str
) -> None:
    seat.come_up()
    new_version(seat)
    (seat.root / "run/seatwright/state.json").write_text(text)
    assert restart(seat, capsys, "--mode", "if-idle")["did"] == "wait"


def test_a_state_that_is_a_pipe_does_not_stop_the_keeper(
    seat: Seat, capsys: pytest.CaptureFixture[str]
) -> None:
    seat.come_up()
    new_version(seat)
    os.mkfifo(seat.root / "run/seatwright/state.json")
    assert restart(seat, capsys, "--mode", "if-idle")["did"] == "wait"


def test_a_restart_that_fails_says_so(seat: Seat, capsys: pytest.CaptureFixture[str]) -> None:
    seat.come_up()
    new_version(seat)
    seat.new_session_fails()
    result = restart(seat, capsys, "--mode", "now", status=1)
    assert (result["did"], result["outcome"]) == ("restart", "down")


def test_systemd_does_not_read_its_files_twice(seat: Seat) -> None:
    assert seat.run("restart", "--mode", "now") == 0 and "daemon-reload" in seat.calls
    before = len(seat.calls)
    assert seat.run("restart", "--mode", "now", "--files-read") == 0
    assert "restart seatwright-session.service" in seat.calls[before:]
    assert "daemon-reload" not in seat.calls[before:]


def test_an_image_has_nothing_to_restart(seat: Seat, capsys: pytest.CaptureFixture[str]) -> None:
    assert keeper.main(["--root", str(seat.root), "restart", "--mode", "now"]) == 0
    assert json.loads(capsys.readouterr().out)["did"] == "leave"


def test_udev_is_told_only_where_it_runs(seat: Seat) -> None:
    udevadm = seat.root / "udevadm"
    udevadm.write_text(f'#!/bin/sh\necho udevadm "$@" >> {seat.root}/calls\n')
    udevadm.chmod(0o755)
    seat.come_up()
    new_version(seat)
    assert seat.run("--udevadm", str(udevadm), "restart", "--mode", "now") == 0
    assert not [call for call in seat.calls if call.startswith("udevadm")]
    control = seat.root / "run/udev/control"
    control.parent.mkdir(parents=True)
    control.touch()
    assert seat.run("--udevadm", str(udevadm), "restart", "--mode", "now") == 0
    assert "udevadm control --reload" in seat.calls


def test_support_mode_ends_by_itself_and_at_once(
    seat: Seat, capsys: pytest.CaptureFixture[str]
) -> None:
    assert seat.run("support", "--minutes", "15") == 0
    assert state(seat, capsys)["support_seconds"] in range(895, 901)
    assert seat.run("support", "--minutes", "0") == 0
    assert state(seat, capsys)["support_seconds"] == 0
    assert not list((seat.root / "var").rglob("support"))


@pytest.mark.parametrize("path", ["etc/passwd", "/etc/../etc/passwd", "/etc//passwd", 7])
def test_a_manifest_with_an_odd_path_is_refused(
    seat: Seat, capsys: pytest.CaptureFixture[str], path: object
) -> None:
    manifest = seat.root / "var/lib/seatwright/files/odd.json"
    manifest.write_text(json.dumps({"format": 1, "session": True, "files": [{"path": path}]}))
    assert seat.run("digest") == 1
    assert "odd.json" in capsys.readouterr().err
    assert seat.run("started") == 0  # but a session is never kept from starting by it


def test_a_started_note_of_somebody_else_is_not_believed(
    seat: Seat, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    seat.come_up()
    mine = os.geteuid()
    monkeypatch.setattr(os, "geteuid", lambda: mine + 1)
    assert state(seat, capsys)["started"] is None


# Killed at any moment


POINTS = ("replace", "symlink", "unlink", "open", "fsync", "fchmod", "chmod", "mkdir")


def die_at(number: int, act: Callable[[], object]) -> bool:
    """Run ``act`` in a child that dies, without any clean-up, at its n-th call that touches a
    file. True where it died, False where it came to its end before.
    """
    child = os.fork()
    if child == 0:
        count = 0

        def counted(call: Callable[..., object]) -> Callable[..., object]:
            def wrapper(*arguments: object, **words: object) -> object:
                nonlocal count
                count += 1
                if count == number:
                    os._exit(99)
                return call(*arguments, **words)

            return wrapper

        null = os.open(os.devnull, os.O_WRONLY)
        os.dup2(null, 1)
        os.dup2(null, 2)
        for name in POINTS:
            setattr(os, name, counted(getattr(os, name)))
        try:
            act()
        except BaseException:
            os._exit(1)
        os._exit(0)
    status = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    assert status in (0, 99), f"died of something else: {status}"
    return status == 99


def kill_points(limit: int = 400) -> Iterator[int]:
    yield from range(1, limit)


def test_keeping_survives_a_kill_at_any_moment(seat: Seat) -> None:
    seat.systemctl = ""  # none: processes would take most of the time
    seat.come_up()
    old = read_index(seat.root / "var/lib/seatwright/good")
    layout = Layout(seat.root)
    new_version(seat)
    assert seat.run("started") == 0
    new_digest = seat.digest()
    seen = set()
    for number in kill_points():
        died = die_at(number, lambda: seat.run("keep", "--settle", "0"))
        index = read_index(layout.good)
        assert index is not None
        goodcopy.check(layout, index)
        seen.add(index.digest)
        if not died:
            break
        if index.digest == new_digest:  # back to before, so that the next kill comes later
            goodcopy._store(layout.good, *contents(seat, old))
    assert old is not None
    assert seen == {old.digest, new_digest}
    assert number > 10


def contents(seat: Seat, index: goodcopy.Index | None) -> tuple[goodcopy.Index, dict[str, bytes]]:
    """The first version's copy, as data."""
    assert index is not None
    manifest = {
        "format": 1,
        "list": "seat_session",
        "session": True,
        "files": [{"path": path, "mode": "0644"} for path in sorted(SESSION_FILES)],
    }
    blobs = {**SESSION_FILES, "manifest": json.dumps(manifest).encode()}
    hashed = {hashlib.sha256(data).hexdigest(): data for data in blobs.values()}
    assert {one.sha256 for one in (*index.files, *index.manifests)} == set(hashed)
    return index, hashed


def boot(seat: Seat) -> None:
    """What systemd does after a power cut: starts, and after failures the way back."""
    for _ in range(3):
        if seat.run("started") == 0:
            return
    seat.run("fall-back", "--pause", "0")
    assert seat.run("started") == 0


def test_the_way_back_survives_a_kill_at_any_moment(
    seat: Seat,
) -> None:
    seat.systemctl = ""  # none: processes would take most of the time
    seat.come_up()
    good = seat.installed()
    for number in kill_points():
        new_version(seat)
        (seat.root / "var/lib/seatwright/refused").unlink(missing_ok=True)
        assert seat.run("started") == 0
        bad = seat.installed()
        died = die_at(number, lambda: seat.run("fall-back", "--pause", "0"))
        for path, content in seat.installed().items():
            assert content in (good.get(path), bad.get(path)) or path.endswith(".new"), path
        (seat.root / "run/seatwright/started").unlink(missing_ok=True)  # gone with the power
        boot(seat)
        if seat.installed() == bad:  # the kill came before anything was noted: it fails again
            assert seat.run("fall-back", "--pause", "0") == 0
        assert seat.installed() == good
        if not died:
            break
    assert number > 20


def test_the_way_back_survives_several_kills_in_a_row(seat: Seat) -> None:
    seat.systemctl = ""  # none: processes would take most of the time
    seat.come_up()
    good = seat.installed()
    chance = random.Random(5)
    for _ in range(12):
        new_version(seat)
        (seat.root / "var/lib/seatwright/refused").unlink(missing_ok=True)
        assert seat.run("started") == 0
        for _ in range(chance.randrange(1, 5)):
            die_at(chance.randrange(1, 60), lambda: seat.run("fall-back", "--pause", "0"))
            die_at(chance.randrange(1, 60), lambda: seat.run("started"))
        assert seat.run("fall-back", "--pause", "0") == 0
        boot(seat)
        assert seat.installed() == good


def test_the_entry_script_and_the_module_run_alone(seat: Seat) -> None:
    """With Debian's Python, without anything of seatwright that is not on a seat."""
    package = seat.root / "usr/lib/seatwright/seatwright"
    source = Path(keeper.__file__).parents[1]
    for name in (
        "__init__.py",
        "usb/__init__.py",
        "usb/device.py",
        "usb/filter.py",
        "usb/portpath.py",
        *(f"client/{one.name}" for one in source.glob("client/*.py")),
    ):
        (package / name).parent.mkdir(parents=True, exist_ok=True)
        (package / name).write_bytes((source / name).read_bytes())
    entry = (source / "client/entry/seat-keeper").read_text()
    script = seat.root / "usr/lib/seatwright/seat-keeper"
    script.write_text(entry.replace("/usr/lib/seatwright", str(package.parent)))
    done = subprocess.run(
        ["/usr/bin/python3", "-I", str(script), "--root", str(seat.root), "digest"],
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stdout.strip() == seat.digest()


def test_a_copy_of_another_version_is_no_copy(seat: Seat) -> None:
    good = seat.root / "var/lib/seatwright/good"
    good.mkdir(parents=True)
    (good / "index.json").write_text('{"format": 2}')
    with pytest.raises(GoodCopyError, match="another version"):
        read_index(good)
    seat.come_up()
    assert read_index(good) is not None


def test_a_session_that_stays_up_leaves_bytecode_for_the_next_start(seat: Seat) -> None:
    """What is missing or out of date is written, and nothing else; Python itself believes it."""
    programs = "/usr/lib/seatwright/seatwright"
    wrong = f"{programs}/wrong.py"
    seat.install({f"{programs}/state.py": b"NUMBER = 1\n", wrong: b"no Python"}, session=True)
    seat.come_up()
    (bytecode,) = (seat.path(programs) / "__pycache__").iterdir()
    assert bytecode.name.startswith("state.")
    first = bytecode.stat().st_ino
    script = f"import sys; sys.path[:0] = [{str(seat.path(programs))!r}]; import state"
    argv = [sys.executable, "-IBv", "-c", script]
    said = subprocess.run(argv, capture_output=True, text=True, check=True).stderr
    assert f"{bytecode} matches" in said and f"code object from {str(bytecode)!r}" in said
    seat.come_up()
    assert bytecode.stat().st_ino == first
    seat.install({f"{programs}/state.py": b"NUMBER = 1_000\n", wrong: b"no Python"}, session=True)
    seat.come_up()
    assert bytecode.stat().st_ino != first


def test_programs_write_no_bytecode_by_themselves() -> None:
    """Python does not flush it, and what a power cut leaves of it keeps a program from starting."""
    entries = Path(keeper.__file__).parent / "entry"
    heads = [one.read_text().splitlines()[0] for one in entries.iterdir()]
    assert {head for head in heads if "python" in head} == {"#!/usr/bin/python3 -IB"}
