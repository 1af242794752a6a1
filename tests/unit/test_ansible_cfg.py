"""The rendered ansible.cfg, as ansible-core itself understands it (``ansible-config dump``)."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[2]


def understood() -> dict[str, object]:
    """By name, every setting that ansible.cfg changes, those of the ssh connection included."""
    command = [
        Path(sys.executable).parent / "ansible-config", "dump", "--only-changed", "--type", "all",
        "--format", "json",
    ]  # fmt: skip
    clean = {key: value for key, value in os.environ.items() if not key.startswith("ANSIBLE")}
    environment = {**clean, "ANSIBLE_CONFIG": str(ROOT / "ansible.cfg")}
    done = subprocess.run(command, cwd=ROOT, env=environment, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    found = {}
    for part in json.loads(done.stdout):
        if "name" in part:
            found[part["name"]] = part["value"]
        else:
            for plugins in part.values():
                for plugin in plugins:
                    for settings in plugin.values():
                        found |= {one["name"]: one["value"] for one in settings}
    return found


def test_many_small_machines_at_once_with_one_connection_each() -> None:
    found = understood()
    assert found["DEFAULT_FORKS"] == 30
    assert found["DEFAULT_ROLES_PATH"] == [str(ROOT / "roles")]
    assert found["DEFAULT_GATHERING"] == "explicit"
    assert found["pipelining"] is True
    assert "ControlMaster=auto" in str(found["ssh_args"])
    assert "ControlPersist=10m" in str(found["ssh_args"])


def test_nothing_that_weakens_the_way_in() -> None:
    found = understood()
    assert found.get("HOST_KEY_CHECKING", True) is True
    assert found.get("host_key_checking", True) is True
    assert found.get("DEFAULT_KEEP_REMOTE_FILES", False) is False
    assert found.get("DEFAULT_NO_LOG", False) is False
