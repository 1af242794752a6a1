"""The session's user: whether it is as wanted, and the commands that make it so.

Standard library only: this runs on the seat.
"""

from __future__ import annotations

import contextlib
import fcntl
import grp
import os
import pwd
import subprocess
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from ansible.module_utils.seat_lock import Busy, held

USER = {
    "name": {"type": "str", "required": True},
    "group": {"type": "str", "required": True},
    "groups": {"type": "list", "elements": "str", "default": []},
    "home": {"type": "str", "default": "/nonexistent"},
    "shell": {"type": "str", "default": "/usr/sbin/nologin"},
    "comment": {"type": "str", "default": ""},
}
"""Options of a system user without a password."""
LOCKED = "!"
"""A password that none is equal to, shadow(5)."""
PROGRAMS = "/usr/sbin"
"""Not on everybody's path."""
SHADOW = "/etc/shadow"
LOCK = "/etc/.pwd.lock"
"""Held by whoever changes users, lckpwdf(3)."""
DATABASES = ("passwd", "group", "shadow", "gshadow", "subuid", "subgid")
LEFT_OVER = tuple(f"/etc/{name}.lock" for name in DATABASES)
"""Further locks of the same programs, files that say whose they are: they outlast a power cut."""
ALONE = fcntl.LOCK_EX | fcntl.LOCK_NB
LOCK_SECONDS = 15
PATIENCE = 60


class UserNotMade(Exception):
    """A program that makes users failed; the text says what it said."""


@dataclass(frozen=True, slots=True)
class Account:
    """What is looked at of a user: the group of its own by name (or number, where it has none), the
    further ones, home, shell, whether no password fits."""

    group: str
    groups: frozenset[str]
    home: str
    shell: str
    locked: bool = True

    def __str__(self) -> str:
        """A line for each, for a diff."""
        lines = (f"group {self.group}", f"groups {' '.join(sorted(self.groups))}".rstrip())
        lines += (f"home {self.home}", f"shell {self.shell}")
        return "\n".join([*lines, f"password {'locked' if self.locked else 'open'}", ""])


def wanted_account(options: Mapping[str, Any]) -> Account:
    """As it is to be; further groups that the seat does not have are left out."""
    groups = frozenset(one for one in options["groups"] if group_there(one))
    return Account(options["group"], groups, options["home"], options["shell"])


def account_of(name: str) -> Account | None:
    """As it is; None where there is no such user."""
    try:
        user = pwd.getpwnam(name)
    except KeyError:
        return None
    try:
        primary = grp.getgrgid(user.pw_gid).gr_name
    except KeyError:
        primary = str(user.pw_gid)
    further = frozenset(one.gr_name for one in grp.getgrall() if name in one.gr_mem)
    return Account(primary, further, user.pw_dir, user.pw_shell, locked(name))


def locked(name: str) -> bool:
    """Whether no password fits, shadow(5); so it is said where that cannot be read."""
    try:
        with open(SHADOW, encoding="utf-8", errors="replace") as file:
            fields = next((line.split(":") for line in file if line.startswith(f"{name}:")), [])
    except OSError:
        return True
    return len(fields) < 2 or fields[1].startswith(("!", "*"))


def group_there(name: str) -> bool:
    """Whether the group exists."""
    try:
        grp.getgrnam(name)
    except KeyError:
        return False
    return True


def user_commands(options: Mapping[str, Any]) -> list[list[str]]:
    """What is to be run for the user to be as wanted; nothing where it is."""
    name, wanted = str(options["name"]), wanted_account(options)
    found = account_of(name)
    if found == wanted:
        return []
    new_group = [f"{PROGRAMS}/groupadd", "--system", wanted.group]
    first = [] if group_there(wanted.group) else [new_group]
    words = ["--gid", wanted.group, "--groups", ",".join(sorted(wanted.groups))]
    words += ["--shell", wanted.shell, "--password", LOCKED]
    if found is None:
        new = ["--system", "--no-create-home", "--home-dir", wanted.home]
        new += ["--comment", options["comment"]]
        return [*first, [f"{PROGRAMS}/useradd", *new, *words, name]]
    if found.home != wanted.home:  # refused while the user runs something
        words = ["--home", wanted.home, *words]
    return [*first, [f"{PROGRAMS}/usermod", *words, name]]


def user_diff(options: Mapping[str, Any]) -> dict[str, str]:
    """Before and after, as Ansible prints them."""
    found = account_of(options["name"])
    return {
        "before_header": f"user {options['name']} ({'not there' if found is None else 'as it is'})",
        "after_header": f"user {options['name']}",
        "before": str(found or ""),
        "after": str(wanted_account(options)),
    }


def put_user_right(commands: list[list[str]]) -> None:
    """Run them. Raises UserNotMade."""
    if commands:
        forget_locks()
    for command in commands:
        try:
            done = subprocess.run(
                command, capture_output=True, text=True, timeout=PATIENCE, check=False
            )
        except (OSError, subprocess.TimeoutExpired) as error:
            raise UserNotMade(f"{command[0]}: {error}") from None
        if done.returncode != 0:
            raise UserNotMade((done.stderr or done.stdout).strip() or f"{command[0]} failed")


def forget_locks() -> None:
    """Remove what a run that was cut short has left; nobody else has it while ours is held.

    Raises UserNotMade.
    """
    try:
        with held(LOCK, lambda number: fcntl.lockf(number, ALONE), LOCK_SECONDS):
            for path in LEFT_OVER:
                with contextlib.suppress(FileNotFoundError):
                    os.unlink(path)
    except Busy:
        raise UserNotMade("something else is changing users; run again") from None
    except OSError as error:
        raise UserNotMade(f"{error.filename or LOCK}: {error.strerror}") from None
