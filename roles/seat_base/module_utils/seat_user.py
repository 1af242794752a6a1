"""The session's user: whether it is as wanted, and the commands that make it so.

Standard library only: this runs on the seat.
"""

from __future__ import annotations

import grp
import pwd
import subprocess
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

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
PATIENCE = 60


class UserNotMade(Exception):
    """A program that makes users failed; the text says what it said."""


@dataclass(frozen=True, slots=True)
class Account:
    """What is looked at of a user: the group of its own by name, the further ones, home, shell."""

    group: str
    groups: frozenset[str]
    home: str
    shell: str

    def __str__(self) -> str:
        """A line for each, for a diff."""
        lines = (f"group {self.group}", f"groups {' '.join(sorted(self.groups))}".rstrip())
        return "\n".join([*lines, f"home {self.home}", f"shell {self.shell}", ""])


def wanted_account(options: Mapping[str, Any]) -> Account:
    """As it is to be; further groups that the seat does not have are left out."""
    groups = frozenset(one for one in options["groups"] if group_there(one))
    return Account(options["group"], groups, options["home"], options["shell"])


def account_of(name: str) -> Account | None:
    """As it is; None where there is no such user, or its group has no name."""
    try:
        user = pwd.getpwnam(name)
        primary = grp.getgrgid(user.pw_gid).gr_name
    except KeyError:
        return None
    further = frozenset(one.gr_name for one in grp.getgrall() if name in one.gr_mem)
    return Account(primary, further, user.pw_dir, user.pw_shell)


def group_there(name: str) -> bool:
    """Whether the group exists."""
    try:
        grp.getgrnam(name)
    except KeyError:
        return False
    return True


def user_there(name: str) -> bool:
    """Whether the user exists."""
    try:
        pwd.getpwnam(name)
    except KeyError:
        return False
    return True


def user_commands(options: Mapping[str, Any]) -> list[list[str]]:
    """What is to be run for the user to be as wanted; nothing where it is."""
    name, wanted = str(options["name"]), wanted_account(options)
    found = account_of(name)
    if found == wanted:
        return []
    first = [] if group_there(wanted.group) else [["groupadd", "--system", wanted.group]]
    words = ["--gid", wanted.group, "--groups", ",".join(sorted(wanted.groups))]
    words += ["--shell", wanted.shell, "--password", LOCKED]
    if not user_there(name):
        new = ["--system", "--no-create-home", "--home-dir", wanted.home]
        new += ["--comment", options["comment"]]
        return [*first, ["useradd", *new, *words, name]]
    if found is None or found.home != wanted.home:  # refused while the user runs something
        words = ["--home", wanted.home, *words]
    return [*first, ["usermod", *words, name]]


def user_diff(options: Mapping[str, Any]) -> dict[str, str]:
    """Before and after, as Ansible prints them."""
    found = account_of(options["name"])
    there = "as it is" if user_there(options["name"]) else "not there"
    return {
        "before_header": f"user {options['name']} ({there})",
        "after_header": f"user {options['name']}",
        "before": str(found or ""),
        "after": str(wanted_account(options)),
    }


def put_user_right(commands: list[list[str]]) -> None:
    """Run them. Raises UserNotMade."""
    for command in commands:
        try:
            done = subprocess.run(
                command, capture_output=True, text=True, timeout=PATIENCE, check=False
            )
        except (OSError, subprocess.TimeoutExpired) as error:
            raise UserNotMade(f"{command[0]}: {error}") from None
        if done.returncode != 0:
            raise UserNotMade((done.stderr or done.stdout).strip() or f"{command[0]} failed")
