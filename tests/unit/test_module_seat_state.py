"""The modules seat_state and seat_restart: what is read off a seat, and what a run makes of it."""

from __future__ import annotations

import json
import os
import time
from collections.abc import Mapping
from pathlib import Path

import pytest

from seat_modules import entry, load, put, run_ansible, seat_facts

seat_restart = load("seat_autostart", "seat_restart")

STATUS = """\
Package: cage
Status: install ok installed
Priority: optional
Version: 0.1.4-4

Package: seatd
Status: deinstall ok config-files
Conffiles:
 /etc/seatd 0123

Package: python3-gi
Essential: no
Status: hold ok installed
Description: Status: install ok installed
 Package: gir1.2-gtk-3.0

Package: half
Status: install ok half-configured
"""


@pytest.fixture
def root(tmp_path: Path) -> Path:
    place = tmp_path / "seat"
    (place / "var/lib/dpkg").mkdir(parents=True)
    (place / "var/lib/dpkg/status").write_text(STATUS)
    return place


def test_only_what_dpkg_has_installed_counts(root: Path) -> None:
    """dpkg(1): third word of Status; a package that was removed leaves its entry behind."""
    wanted = ["python3-gi", "seatd", "cage", "half", "gir1.2-gtk-3.0", "cag", "pytho.3-gi"]
    missing = seat_facts.missing_packages(str(root), wanted)
    assert missing == ["seatd", "half", "gir1.2-gtk-3.0", "cag", "pytho.3-gi"]
    assert seat_facts.missing_packages(str(root), []) == []
    assert seat_facts.missing_packages(str(root / "nowhere"), ["cage"]) == ["cage"]


def test_dpkg_of_this_machine_agrees() -> None:
    """dpkg-query is the reference for every package of this machine, and for two it has not."""
    import subprocess

    command = ["dpkg-query", "--show", "--showformat", "${Package} ${db:Status-Status}\\n"]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    known = dict(line.split() for line in done.stdout.splitlines())
    wanted = [*known, "no-such-package", "seatwright-x"]
    missing = seat_facts.missing_packages("/", wanted)
    assert missing == [name for name in wanted if known.get(name) != "installed"]


def test_a_root_that_is_not_the_system_has_no_systemd(monkeypatch: pytest.MonkeyPatch) -> None:
    assert seat_facts.offline("/some/where")
    monkeypatch.setenv("SYSTEMD_OFFLINE", "1")
    assert seat_facts.offline("/")


def touch(path: Path, when: float, text: str = "") -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text)
    os.utime(path, (when, when))


NOW = time.time()
RULES = "etc/udev/rules.d/74-seatwright.rules"


@pytest.mark.parametrize(
    ("running", "devices", "written", "pending"),
    [
        (True, {"c189:1": -50, "c189:2": -80}, -100, False),  # decided since
        (True, {"c189:1": -50, "c189:2": -80}, -60, True),  # one of them not
        (True, {"c189:1": -50, "b8:0": -900, "c1890:1": -900}, -100, False),  # others do not count
        (True, {}, -10, False),  # no device: udev reads changed rules by itself
        (False, {"c189:1": -50}, -10, False),  # no udev
        (True, {"c189:1": -50}, 9000, False),  # a file from the future: the clock was wrong
    ],
)
def test_rules_are_pending_while_a_device_was_decided_before_them(
    root: Path, running: bool, devices: Mapping[str, int], written: int, pending: bool
) -> None:
    touch(root / RULES, NOW + written)
    for name, when in devices.items():
        touch(root / "run/udev/data" / name, NOW + when)
    if running:
        touch(root / "run/udev/control", NOW - 5000)
    facts = seat_facts.udev_facts(str(root), [f"/{RULES}", "/etc/other", "/etc/udev/rules.d/gone"])
    assert facts == {"running": running, "pending": pending}


SHOWN = {
    "manager": "UserspaceTimestampMonotonic={start}\nUnitsLoadTimestampMonotonic={load}\n",
    "units": "Id=getty@tty1.service\nActiveState={getty}\nActiveEnterTimestampMonotonic=1\n\n"
    "Id=systemd-logind.service\nActiveState=active\nActiveEnterTimestampMonotonic={logind}\n",
}


@pytest.fixture
def systemctl(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A systemctl that shows what the test wrote down."""
    program = tmp_path / "bin/systemctl"
    program.parent.mkdir()
    program.write_text(
        f"#!/bin/sh\n[ $# = 2 ] && exec cat {tmp_path}/manager; exec cat {tmp_path}/units\n"
    )
    program.chmod(0o755)
    monkeypatch.setenv("PATH", f"{program.parent}:{os.environ['PATH']}")
    return tmp_path


def ago(seconds: float) -> int:
    """A moment as systemd gives it: microseconds of the monotonic clock."""
    return int((time.clock_gettime(time.CLOCK_MONOTONIC) - seconds) * 1e6)


@pytest.mark.parametrize(
    ("start", "load", "logind", "getty", "unit", "conf", "expected"),
    [
        (100, None, 90, "inactive", 150, 150, (False, False, [])),  # written before the boot
        (100, None, 90, "inactive", 50, 150, (True, False, [])),
        (100, 40, 90, "inactive", 50, 150, (False, False, [])),  # reloaded since
        (100, None, 90, "inactive", 150, 50, (False, True, [])),
        (100, None, 40, "active", 150, 50, (False, False, ["getty@tty1.service"])),
        (100, None, 90, "inactive", -9000, -9000, (False, False, [])),  # a clock that was wrong
    ],
)
def test_what_systemd_has_still_to_read(
    root: Path,
    systemctl: Path,
    start: float,
    load: float | None,
    logind: float,
    getty: str,
    unit: float,
    conf: float,
    expected: tuple[bool, bool, list[str]],
) -> None:
    values = {"start": ago(start), "load": ago(load) if load else 0, "logind": ago(logind)}
    for name, text in SHOWN.items():
        (systemctl / name).write_text(text.format(**values, getty=getty))
    paths = {"/etc/systemd/system/x.service": unit, "/etc/systemd/logind.conf.d/x.conf": conf}
    for path, when in paths.items():
        touch(root / path[1:], time.time() - when)
    facts = seat_facts.systemd_facts(str(root), list(paths), ["getty@*.service"])
    assert facts == dict(zip(("reload", "restart_logind", "stop"), expected, strict=True))


def test_paths_come_from_every_list(root: Path) -> None:
    put(root, [entry("/etc/a", "a"), entry("/etc/l", state="link", target="/dev/null")], name="one")
    put(root, [entry("/etc/b", "b")], name="two")
    assert seat_facts.recorded_paths(str(root)) == ["/etc/a", "/etc/b", "/etc/l"]
    assert seat_facts.recorded_paths(str(root / "nowhere")) == []


def keeper(place: Path, *answers: object, status: int = 0) -> Path:
    """A keeper that gives one answer after the other, the last for ever, and notes its words."""
    place.mkdir(parents=True, exist_ok=True)
    for number, answer in enumerate(answers, 1):
        text = answer if isinstance(answer, str) else json.dumps(answer)
        (place / f"answer-{number}").write_text(text)
    program = place / "seat-keeper"
    program.write_text(
        "#!/bin/sh\n"
        f'cd {place}; echo "$@" >> asked; n=$(wc -l < asked)\n'
        f"[ $n -gt {len(answers)} ] && n={len(answers)}\n"
        f"cat answer-$n; echo trouble >&2; exit {status}\n"
    )
    program.chmod(0o755)
    return program


def test_the_keeper_is_asked_once_and_a_broken_one_is_none(root: Path) -> None:
    place = root / "usr/lib/seatwright"
    assert seat_facts.session_facts(str(root)) == (None, "")
    keeper(place, {"pending": True})
    assert seat_facts.session_facts(str(root)) == ({"pending": True}, "")
    assert (place / "asked").read_text() == f"--root {root} state --json\n"
    keeper(place, "no answer")
    assert seat_facts.session_facts(str(root))[0] is None
    keeper(place, {}, status=1)
    value, trouble = seat_facts.session_facts(str(root))
    assert value is None and "trouble" in trouble


def test_through_ansible_the_look_changes_nothing_and_says_all(root: Path) -> None:
    arguments = {"root": str(root), "packages": ["cage", "seatd"]}
    before = sorted(root.rglob("*"))
    result = run_ansible("seat_state", arguments, "--check")
    assert sorted(root.rglob("*")) == before
    assert result["outcome"] == "SUCCESS" and result["changed"] is False
    assert result["packages_missing"] == ["seatd"] and result["offline"] is True
    assert result["session"] is None and result["udev"] == {"running": False, "pending": False}
    assert result["systemd"] == {"reload": False, "restart_logind": False, "stop": []}


def test_seat_files_can_look_before_it_writes(root: Path) -> None:
    """The same as seat_state says, in the same task: through Ansible."""
    look = {"packages": ["cage", "seatd"]}
    alone = run_ansible("seat_state", {"root": str(root), **look})
    arguments = {"list": "demo", "root": str(root), "files": [entry("/etc/a", "a\n")], "look": look}
    result = run_ansible("seat_files", arguments)
    assert result["outcome"] == "CHANGED" and (root / "etc/a").exists()
    assert result["state"] == {key: alone[key] for key in result["state"]}
    assert result["state"]["packages_missing"] == ["seatd"]


UP = {"session": "active", "pending": False, "idle": True}
DONE = {"did": "restart", "why": "files changed", "outcome": "up"}


def restart(tmp_path: Path, *answers: object, mode: str = "if-idle", **others: object) -> object:
    program = keeper(tmp_path / "keeper", *answers)
    settings = {"insist": False, "reload": False, "wait": 1, "keeper": str(program)}
    params = {"mode": mode, **settings, **others}
    done = seat_restart.restart(params)
    return done, seat_restart.session_state(params, done)


@pytest.mark.parametrize(
    ("answer", "state", "sentence", "failed"),
    [
        (DONE, UP, "Restarted the session: files changed; it came up.", False),
        ({**DONE, "did": "start"}, UP, "Started the session: files changed; it came up.", False),
        (
            {"did": "wait", "why": "somebody uses it", "outcome": None},
            UP,
            "The session restarts later: somebody uses it.",
            False,
        ),
        (
            {"did": "refuse", "why": "did not come up before", "outcome": None},
            UP,
            "The session was not restarted: did not come up before.",
            True,
        ),
        (
            {**DONE, "outcome": "fell-back"},
            UP,
            "Restarted the session: files changed; it did not come up, and the seat went back to "
            "the files it had before.",
            True,
        ),
        ({**DONE, "outcome": "down"}, {**UP, "session": "failed"}, "it did not come up.", True),
        (
            {"did": "nothing", "why": "it runs with these files", "outcome": None},
            {**UP, "session": "activating"},
            "Nothing to do: it runs with these files; but it is activating, not active.",
            True,
        ),
        (
            {"did": "leave", "why": "systemd does not run", "outcome": None},
            {**UP, "session": "unknown"},
            "The session is left as it is: systemd does not run.",
            False,
        ),
    ],
)
def test_what_became_of_the_session_is_said_and_judged(
    tmp_path: Path, answer: object, state: object, sentence: str, failed: bool
) -> None:
    done, session = restart(tmp_path, answer, state)  # type: ignore[misc]
    assert seat_restart.describe(done, session).endswith(sentence)
    assert seat_restart.failed(done, session) is failed


def test_a_session_that_takes_its_time_is_waited_for(tmp_path: Path) -> None:
    starting = {**UP, "session": "activating"}
    nothing = {**DONE, "did": "nothing", "outcome": None}
    _, session = restart(tmp_path, nothing, starting, starting, UP, wait=5)  # type: ignore[misc]
    assert session == "active"


@pytest.mark.parametrize(
    ("params", "calls"),
    [
        ({"reload": False, "logind": False, "stop": []}, []),
        (
            {"reload": True, "logind": True, "stop": ["getty@tty1.service"]},
            [
                ["daemon-reload"],
                ["restart", "systemd-logind.service"],
                ["stop", "getty@tty1.service"],
            ],
        ),
    ],
)
def test_what_systemd_has_to_read_comes_first(params: dict, calls: list) -> None:
    assert seat_restart.to_take_effect(params) == calls


def test_check_mode_foresees_what_systemd_would_read(tmp_path: Path) -> None:
    program = keeper(tmp_path / "keeper", UP)
    params = {"mode": "never", "keeper": str(program)}
    quiet = run_ansible("seat_restart", params, "--check")
    assert quiet["outcome"] == "SUCCESS"
    alone = run_ansible("seat_restart", {**params, "session": False, "reload": True}, "--check")
    assert alone["outcome"] == "CHANGED"
    assert (tmp_path / "keeper/asked").read_text() == "state --json\n"


@pytest.mark.parametrize(
    ("mode", "others", "words"),
    [
        ("never", {}, "restart --mode never --wait 1"),
        ("now", {"insist": True}, "restart --mode now --wait 1 --insist"),
        ("now", {"reload": True}, "restart --mode now --wait 1 --files-read"),
    ],
)
def test_the_keeper_gets_the_mode(
    tmp_path: Path, mode: str, others: dict[str, bool], words: str
) -> None:
    restart(tmp_path, DONE, UP, mode=mode, **others)
    assert (tmp_path / "keeper/asked").read_text().splitlines()[0] == words


@pytest.mark.parametrize(
    ("mode", "state", "expected", "did"),
    [
        ("if-idle", UP, False, "nothing"),
        ("if-idle", UP, True, "restart"),
        ("if-idle", {**UP, "pending": True, "idle": False}, False, "wait"),
        ("never", {**UP, "pending": True}, False, "wait"),
        ("now", {**UP, "pending": True, "idle": False}, False, "restart"),
        ("never", {**UP, "session": "failed"}, False, "start"),
    ],
)
def test_check_mode_foresees_and_only_asks_for_the_state(
    tmp_path: Path, mode: str, state: object, expected: bool, did: str
) -> None:
    program = keeper(tmp_path / "keeper", state)
    foreseen = seat_restart.foresee({"mode": mode, "expected": expected, "keeper": str(program)})
    assert foreseen["did"] == did and foreseen["changed"] is (did in ("restart", "start"))
    assert (tmp_path / "keeper/asked").read_text() == "state --json\n"


def test_check_mode_on_a_fresh_seat_foresees_the_first_start(tmp_path: Path) -> None:
    params = {"mode": "if-idle", "expected": True, "keeper": str(tmp_path / "none")}
    assert seat_restart.foresee(params)["did"] == "start"


def test_through_ansible_a_seat_that_went_back_fails_with_advice(tmp_path: Path) -> None:
    program = keeper(tmp_path / "keeper", {**DONE, "outcome": "fell-back"}, UP)
    result = run_ansible("seat_restart", {"mode": "now", "wait": 1, "keeper": str(program)})
    assert result["outcome"] == "FAILED" and result["did"] == "restart"
    assert "went back" in result["msg"] and "seat_autostart_insist" in result["msg"]


def test_a_keeper_that_does_not_answer_is_named(tmp_path: Path) -> None:
    program = keeper(tmp_path / "keeper", "", status=1)
    with pytest.raises(seat_restart.CommandFailed, match="trouble"):
        seat_restart.ask(str(program), ["state"], 5)
    with pytest.raises(seat_restart.CommandFailed, match="No such file"):
        seat_restart.ask(str(tmp_path / "none"), ["state"], 5)
