"""The seat's modules for tests: imported as they are, or run as Ansible runs them."""

from __future__ import annotations

import importlib
import importlib.util
import json
import os
import re
import stat
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path
from types import ModuleType
from typing import Any

import ansible.module_utils

ROLES = Path(__file__).parents[1] / "templates" / "roles"
BASE = ROLES / "seat_base"
OWNER = {"owner": str(os.geteuid()), "group": str(os.getegid())}
"""Whoever runs the tests, so that they need not be root."""

UTILITIES = [BASE / "module_utils", ROLES.parents[1] / "roles/seat_base/module_utils"]
"""By hand, and as rendered: there are the parts of the generator that modules import."""

for one in map(str, UTILITIES):
    if one not in ansible.module_utils.__path__:
        ansible.module_utils.__path__.append(one)

seat_changes = importlib.import_module("ansible.module_utils.seat_changes")
seat_entries = importlib.import_module("ansible.module_utils.seat_entries")
seat_facts = importlib.import_module("ansible.module_utils.seat_facts")
seat_user = importlib.import_module("ansible.module_utils.seat_user")
seat_validate = importlib.import_module("ansible.module_utils.seat_validate")
seat_write = importlib.import_module("ansible.module_utils.seat_write")


def load(role: str, name: str) -> ModuleType:
    """A module's file as a Python module."""
    path = ROLES / role / "library" / f"{name}.py"
    spec = importlib.util.spec_from_file_location(f"tested_{name}", path)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


seat_files = load("seat_base", "seat_files")


class Failed(Exception):
    """What fail_json said."""


class Exited(Exception):
    """What exit_json said."""


class Call:
    """Stands for AnsibleModule where a test wants to be in the same process."""

    def __init__(
        self, params: Mapping[str, Any], *, check: bool = False, diff: bool = True
    ) -> None:
        self.params = dict(params)
        self.check_mode = check
        self._diff = diff
        self.warnings: list[str] = []
        self.no_log_values: set[str] = set()

    def warn(self, text: str) -> None:
        self.warnings.append(text)


def entry(path: str, content: str | None = None, **others: Any) -> dict[str, Any]:
    """One entry of a list, owned by whoever runs the tests."""
    values: dict[str, Any] = {"path": path, "content": content, **OWNER, **others}
    return {key: value for key, value in values.items() if value is not None}


def put(
    root: Path,
    files: list[dict[str, Any]],
    *,
    name: str = "demo",
    check: bool = False,
    session: bool = False,
    look: dict[str, Any] | None = None,
    user: dict[str, Any] | None = None,
    ahead: dict[str, list[dict[str, Any]]] | None = None,
) -> tuple[dict[str, Any], list[str]]:
    """Run seat_files in this process: its result and its warnings."""
    params = {"list": name, "files": files, "session": session, "root": str(root)}
    params |= {"look": look, "user": user}
    call = Call(params, check=check)
    entries = seat_files.parse_entries(files)
    idle = check or seat_files.nothing_to_do(call.params, entries)
    with seat_files.lock(str(root), idle):
        result = seat_files.run(call, entries, ahead or {}, None)
    return result, call.warnings


def run_ansible(module: str, arguments: Mapping[str, Any], *flags: str) -> dict[str, Any]:
    """Run a module through ``ansible -m`` on localhost: its result, and ``diff_text`` printed."""
    environment = {
        **os.environ,
        "ANSIBLE_LIBRARY": os.pathsep.join(str(one) for one in sorted(ROLES.glob("*/library"))),
        "ANSIBLE_MODULE_UTILS": os.pathsep.join(map(str, UTILITIES)),
        "ANSIBLE_ACTION_PLUGINS": str(BASE / "action_plugins"),
        "ANSIBLE_NOCOLOR": "1",
        "ANSIBLE_CALLBACK_RESULT_FORMAT": "json",
        "ANSIBLE_LOCALHOST_WARNING": "false",
    }
    command = [str(Path(sys.executable).parent / "ansible"), "localhost", "-c", "local"]
    command += ["-e", f"ansible_python_interpreter={sys.executable}"]
    command += ["-m", module, "-a", json.dumps(arguments), *flags]
    done = subprocess.run(command, capture_output=True, text=True, env=environment, check=False)
    found = re.search(r"^localhost \| (\S+) => (\{.*^\})", done.stdout, re.MULTILINE | re.DOTALL)
    if found is None:
        found = re.search(r"^localhost \| (\S+) => (\{.*\})", done.stdout, re.MULTILINE)
    assert found is not None, done.stdout + done.stderr
    result: dict[str, Any] = json.loads(found[2])
    return {**result, "outcome": found[1].rstrip("!"), "said": done.stdout + done.stderr}


MANIFEST = "var/lib/seatwright/files/demo.json"


def tree(root: Path) -> dict[str, tuple[str, str]]:
    """Every file and link below a root but the lock: its mode and what is in it."""
    found = {}
    for path in sorted(root.rglob("*")):
        name = path.relative_to(root).as_posix()
        if path.is_symlink():
            found[name] = ("link", os.readlink(path))
        elif path.is_file() and path.name != ".lock":
            found[name] = (f"{stat.S_IMODE(path.stat().st_mode):04o}", path.read_text())
    return found


def contents(root: Path) -> dict[str, str]:
    return {name: text for name, (_, text) in tree(root).items() if name != MANIFEST}


def manifest(root: Path) -> dict[str, Any]:
    value: dict[str, Any] = json.loads((root / MANIFEST).read_text())
    return value


THREE = [
    entry("/etc/one", "1\n", mode="0640"),
    entry("/usr/lib/two.py", "print(2)\n", mode="0755"),
    entry("/etc/systemd/system/x.target", state="link", target="/dev/null"),
]
