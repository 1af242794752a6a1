"""The session's user: what is run for it, whatever there was before."""

from __future__ import annotations

import grp
import pwd
from typing import Any

import pytest

from seat_modules import entry, put, seat_user

SEAT = {
    "name": "seat",
    "group": "seat",
    "groups": ["video", "audio", "not-here"],
    "home": "/nonexistent",
    "shell": "/usr/sbin/nologin",
    "comment": "Session",
}
GROUPS = {"audio": (29, []), "video": (44, []), "games": (60, []), "seat": (997, [])}
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
    new = "useradd --system --no-create-home --home-dir /nonexistent --comment Session"
    assert commands() == [f"{new} {WORDS}"]
    del known["groups"]["seat"], known["groups"]["audio"]
    assert commands() == ["groupadd --system seat", f"{new} {WORDS.replace('audio,', '')}"]


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
    assert commands() == [f"usermod {WORDS}"]


def test_a_home_and_a_group_without_a_name_are_put_right(known: dict[str, Any]) -> None:
    there(known, 997, "/home/seat", "/usr/sbin/nologin", "audio", "video")
    assert commands() == [f"usermod --home /nonexistent {WORDS}"]
    there(known, 4711, "/nonexistent", "/usr/sbin/nologin")
    assert commands() == [f"usermod --home /nonexistent {WORDS}"]


def test_the_diff_names_what_differs(known: dict[str, Any]) -> None:
    assert seat_user.user_diff(SEAT)["before"] == ""
    there(known, 60, "/nonexistent", "/bin/sh", "audio")
    diff = seat_user.user_diff(SEAT)
    assert diff["before"] == "group games\ngroups audio\nhome /nonexistent\nshell /bin/sh\n"
    assert diff["after"].splitlines()[:2] == ["group seat", "groups audio video"]


def test_the_user_waits_for_packages_and_counts_as_a_change(
    known: dict[str, Any], tmp_path: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    ran: list[str] = []
    put_right = lambda given: ran.extend(" ".join(one) for one in given)  # noqa: E731
    monkeypatch.setattr("tested_seat_files.put_user_right", put_right)
    look = {"packages": ["not-a-package"], "stopped": [], "model": None}
    files = [entry("/etc/one", "1\n")]
    foreseen = put(tmp_path, files, look=look, user=SEAT, check=True)[0]
    assert foreseen["changed"] and foreseen["user"] == commands() and not ran
    assert foreseen["diff"][0]["after_header"] == "user seat"
    assert put(tmp_path, files, look=look, user=SEAT)[0]["user"] == [] and not ran
    made = put(tmp_path, files, user=SEAT, ahead={"later": []})[0]
    assert made["changed"] and made["written"] == [] and ran == commands()
    there(known, 997, "/nonexistent", "/usr/sbin/nologin", "audio", "video")
    assert not put(tmp_path, files, user=SEAT)[0]["changed"]


def test_what_a_program_says_is_passed_on() -> None:
    with pytest.raises(seat_user.UserNotMade, match="no-such-user"):
        seat_user.put_user_right([["usermod", "--shell", "/bin/sh", "no-such-user-here"]])
    with pytest.raises(seat_user.UserNotMade, match="not-a-program"):
        seat_user.put_user_right([["not-a-program"]])
