"""Control machine's half of seat_files: it reads the files of the roles, whose contents go along.

All programs of a seat are less than what each module has to bring; ssh compresses both (``-C``).
Lists of later roles are only compared, so hashes do for them: each has the name of its role, where
its sources are looked for.
"""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Any

from ansible.errors import AnsibleActionFail
from ansible.plugins.action import ActionBase


class ActionModule(ActionBase):
    """Send the list with contents, those that are compared ahead with hashes."""

    TRANSFERS_FILES = False
    _VALID_ARGS = frozenset({"list", "files", "session", "look", "user", "ahead", "root"})

    def run(
        self, tmp: str | None = None, task_vars: dict[str, Any] | None = None
    ) -> dict[str, Any]:
        """See ActionBase.run."""
        super().run(tmp, task_vars)
        _, arguments = self.validate_argument_spec(
            {
                "list": {"type": "str", "required": True},
                "files": {"type": "list", "elements": "dict", "required": True},
                "session": {"type": "bool", "default": False},
                "look": {"type": "dict"},
                "user": {"type": "dict"},
                "ahead": {"type": "dict", "default": {}},
                "root": {"type": "path", "default": "/"},
            }
        )
        arguments["files"] = [self._filled(dict(one)) for one in arguments["files"]]
        arguments["ahead"] = {
            name: [_hashed(self._filled(dict(one), name)) for one in files]
            for name, files in arguments["ahead"].items()
        }
        return self._execute_module(
            module_name="seat_files", module_args=arguments, task_vars=task_vars
        )

    def _filled(self, entry: dict[str, Any], role: str | None = None) -> dict[str, Any]:
        """The entry with the content of its source.

        ``role`` has the source where it is not the role of this task.
        """
        source = entry.pop("src", None)
        if source is None:
            return entry
        if entry.get("content") is not None:
            raise AnsibleActionFail(f"{entry.get('path')}: give content or src, not both")
        return {**entry, "content": self._source(source, role).read_text(encoding="utf-8")}

    def _source(self, name: str, role: str | None) -> Path:
        if role is None:
            return Path(self._find_needle("files", name))
        if self._task._role is None:
            raise AnsibleActionFail(f"{name}: the list of a role is compared ahead only by a role")
        return Path(self._task._role._role_path).parent / role / "files" / name


def _hashed(entry: dict[str, Any]) -> dict[str, Any]:
    """The entry with the hash of its content in place of the content."""
    content = entry.pop("content", None)
    if content is None:
        return entry
    return {**entry, "sha256": hashlib.sha256(content.encode()).hexdigest()}
