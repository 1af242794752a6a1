"""The session's user: what is run for it, whatever there was before."""

from __future__ import annotations

import grp
import pwd
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from seat_modules import entry, put, run_ansible, seat_entries, seat_user, tree

SEAT = {
    "name": "seat",
    "group": "seat",
    "groups": ["video", "audio", "not-here"],
    "home": "/nonexistent",
    "shell": "/usr/sbin/nologin",
    "comment": "Session",
}
GROUPS = {"audio": (29, []), "video": (44, []), "games": (60, []), "seat": (997, [])}
SBIN = "/usr/sbin"
WORDS = "--gid seat --groups audio,video --shell /usr/sbin/nologin --password ! seat"


@pytest.fixture
def known(monkeypatch: pytest.MonkeyPatch) -> dict[str, Any]:
    """The groups and users of a machine of its own; a test changes them."""
    groups = {name: grp.struct_group((name, "x", *rest)) for name, rest in GROUPS.items()}
    users: dict[str, Any] = {}
    monkeypatch.setattr(grp, "getgrnam", groups.__getitem__)
    monkeypatch.setattr(grp, "getgrall", lambda: list(groups.values()))
    by_id = {one.gr_gid: one for one in groups.values()}
    monkeypatch.setattr(grp, "getgrgid", by_id.__getitem__)
    monkeypatch.setattr(pwd, "getpwnam", users.__getitem__)
    return {"groups": groups, "users": users}


def there(known: dict[str, Any], gid: int, home: str, shell: str, *groups: str) -> None:
    """A user seat, as it is before a run."""
    known["users"]["seat"] = pwd.struct_passwd(("seat", "x", 999, gid, "", home, shell))
    for name in groups:
        known["groups"][name].gr_mem.append("seat")


@pytest.fixture(autouse=True)
def nobody_is_a_member() -> None:
    for _, members in GROUPS.values():
        members.clear()


def commands() -> list[str]:
    return [" ".join(command) for command in seat_user.user_commands(SEAT)]


def test_a_new_user_gets_what_the_seat_has(known: dict[str, Any]) -> None:
    new = f"{SBIN}/useradd --system --no-create-home --home-dir /nonexistent --comment Session"
    assert commands() == [f"{new} {WORDS}"]
    del known["groups"]["seat"], known["groups"]["audio"]
    assert commands() == [f"{SBIN}/groupadd --system seat", f"{new} {WORDS.replace('audio,', '')}"]


def test_a_user_that_is_right_is_left_alone(known: dict[str, Any]) -> None:
    there(known, 997, "/nonexistent", "/usr/sbin/nologin", "audio", "video")
    assert commands() == []
    assert seat_user.user_diff(SEAT)["before"] == seat_user.user_diff(SEAT)["after"]


@pytest.mark.parametrize(
    ("gid", "shell", "groups"),
    [
        (60, "/usr/sbin/nologin", ("audio", "video")),
        (997, "/bin/sh", ("audio", "video")),
        (997, "/usr/sbin/nologin", ("audio",)),
        (997, "/usr/sbin/nologin", ("audio", "video", "games")),
        (997, "/usr/sbin/nologin", ()),
    ],
)
def test_each_difference_is_put_right(
    known: dict[str, Any], gid: int, shell: str, groups: tuple[str, ...]
) -> None:
    """The home is left out where it is right: usermod refuses it while the session runs."""
    there(known, gid, "/nonexistent", shell, *groups)
    assert commands() == [f"{SBIN}/usermod {WORDS}"]


def test_a_home_and_a_group_without_a_name_are_put_right(known: dict[str, Any]) -> None:
    there(known, 997, "/home/seat", "/usr/sbin/nologin", "audio", "video")
    assert commands() == [f"{SBIN}/usermod --home /nonexistent {WORDS}"]
    there(known, 4711, "/nonexistent", "/usr/sbin/nologin")
    assert commands() == [f"{SBIN}/usermod {WORDS}"]
    assert seat_user.user_diff(SEAT)["before"].startswith("group 4711\n")


@pytest.mark.parametrize(
    ("shadow", "right"),
    [
        ("seat:!:1::::::\n", True),
        ("x:!:1::::::\nseat:!!:1::::::\n", True),
        ("seat:*:1::::::\n", True),
        ("seat::1::::::\n", False),
        ("root:!:1::::::\nseat:$y$j9T$a$b:1::::::\n", False),
        ("seated::1::::::\n", True),
    ],
)
def test_a_password_that_could_fit_is_taken_away(
    known: dict[str, Any], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, shadow: str, right: bool
) -> None:
    """Fields as in shadow(5): empty lets everybody in, ! and * nobody."""
    there(known, 997, "/nonexistent", "/usr/sbin/nologin", "audio", "video")
    file = tmp_path / "shadow"
    file.write_text(shadow)
    monkeypatch.setattr(seat_user, "SHADOW", str(file))
    assert commands() == ([] if right else [f"{SBIN}/usermod {WORDS}"])


def test_locks_that_a_power_cut_has_left_are_forgotten(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    left = [tmp_path / "passwd.lock", tmp_path / "group.lock"]
    monkeypatch.setattr(seat_user, "LEFT_OVER", tuple(map(str, left)))
    monkeypatch.setattr(seat_user, "LOCK", str(tmp_path / ".pwd.lock"))
    monkeypatch.setattr(seat_user, "LOCK_SECONDS", 0.3)
    left[0].write_text("1\0")
    seat_user.put_user_right([["/bin/true"]])
    assert not left[0].exists()
    left[0].write_text("")
    held = "import fcntl, sys; f = open(sys.argv[1], 'w'); fcntl.lockf(f, fcntl.LOCK_EX); "
    argv = [
        sys.executable,
        "-c",
        held + "print('held', flush=True); input()",
        tmp_path / ".pwd.lock",
    ]
    with subprocess.Popen(argv, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as other:
        assert other.stdout is not None and other.stdout.readline() == b"held\n"
        with pytest.raises(seat_user.UserNotMade, match="run again"):
            seat_user.put_user_right([["/bin/true"]])
        assert left[0].exists(), "it is somebody's"
        other.communicate(b"\n")


def test_the_diff_names_what_differs(known: dict[str, Any]) -> None:
    assert seat_user.user_diff(SEAT)["before"] == ""
    there(known, 60, "/nonexistent", "/bin/sh", "audio")
    diff = seat_user.user_diff(SEAT)
    assert diff["before"] == (
        "group games\ngroups audio\nhome /nonexistent\nshell /bin/sh\npassword locked\n"
    )
    assert diff["after"].splitlines()[:2] == ["group seat", "groups audio video"]


def test_the_user_waits_for_packages_and_counts_as_a_change(
    known: dict[str, Any], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    ran: list[str] = []
    put_right = lambda given: ran.extend(" ".join(one) for one in given)  # noqa: E731
    monkeypatch.setattr("tested_seat_files.put_user_right", put_right)
    look = {"packages": ["not-a-package"], "stopped": [], "model": None}
    files = [entry("/etc/one", "1\n")]
    foreseen = put(tmp_path, files, look=look, user=SEAT, check=True)[0]
    assert (
        foreseen["changed"]
        and commands() == [" ".join(one) for one in foreseen["user"]]
        and not ran
    )
    assert foreseen["diff"][0]["after_header"] == "user seat"
    assert put(tmp_path, files, look=look, user=SEAT)[0]["user"] == [] and not ran
    made = put(tmp_path, files, user=SEAT, ahead={"later": []})[0]
    assert made["changed"] and made["written"] == [] and ran == commands()
    there(known, 997, "/nonexistent", "/usr/sbin/nologin", "audio", "video")
    assert not put(tmp_path, files, user=SEAT)[0]["changed"]


def test_no_user_is_made_where_a_file_is_refused(
    known: dict[str, Any], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    ran: list[str] = []
    monkeypatch.setattr("tested_seat_files.put_user_right", ran.append)
    files = [entry("/etc/one", "1\n"), entry("/etc/two", "2\n", owner="nobody-we-know")]
    with pytest.raises(seat_entries.Refused, match=r"/etc/two.*make the user"):
        put(tmp_path, files, user=SEAT)
    assert not ran and tree(tmp_path) == {}
    own = entry("/etc/one", "1\n", owner="seat")
    with pytest.raises(seat_entries.Refused, match="/etc/one"):
        put(tmp_path, [own], user=SEAT)
    assert len(ran) == 1, "its own files wait for it"


def test_what_a_program_says_is_passed_on(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(seat_user, "LOCK", str(tmp_path / ".pwd.lock"))
    monkeypatch.setattr(seat_user, "LEFT_OVER", ())
    with pytest.raises(seat_user.UserNotMade, match="no-such-file"):
        seat_user.put_user_right([["/bin/ls", "no-such-file"]])
    with pytest.raises(seat_user.UserNotMade, match="not-a-program"):
        seat_user.put_user_right([["not-a-program"]])


def test_the_user_of_another_root_is_refused(tmp_path: Path) -> None:
    arguments = {"list": "demo", "root": str(tmp_path), "files": [], "user": SEAT}
    result = run_ansible("seat_files", arguments)
    assert result["outcome"] == "FAILED" and "root has to be /" in result["msg"]
