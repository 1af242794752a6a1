"""Control machine's half of seat_files: contents cross the wire only when the seat asks for them.

A run without changes sends hashes, a few kilobytes for all programs of a seat.  Lists of later
roles can be compared ahead: each has the name of its role, where its sources are looked for.
"""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Any

from ansible.errors import AnsibleActionFail
from ansible.plugins.action import ActionBase


class ActionModule(ActionBase):
    """Send the list with hashes; where the seat needs contents, send it again with those."""

    TRANSFERS_FILES = False
    _VALID_ARGS = frozenset({"list", "files", "session", "look", "user", "ahead", "needs", "root"})

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
                "needs": {"type": "list", "elements": "str", "default": []},
                "root": {"type": "path", "default": "/"},
            }
        )
        contents: dict[str, str] = {}
        hashed = [self._hashed(dict(one), contents) for one in arguments["files"]]
        arguments["ahead"] = {
            name: [self._hashed(dict(one), {}, name) for one in files]
            for name, files in arguments["ahead"].items()
        }
        needs = arguments.pop("needs")
        full = [self._full(one, contents, set(needs)) for one in hashed]
        result = self._send(arguments, full, task_vars)
        needs = result.get("needs")
        if needs:
            full = [self._full(one, contents, set(needs)) for one in hashed]
            result = self._send(arguments, full, task_vars)
        if result.get("needs"):
            raise AnsibleActionFail("a file changed while it was compared; run again")
        return result

    def _send(
        self,
        arguments: dict[str, Any],
        files: list[dict[str, Any]],
        task_vars: dict[str, Any] | None,
    ) -> dict[str, Any]:
        return self._execute_module(
            module_name="seat_files",
            module_args={**arguments, "files": files},
            task_vars=task_vars,
        )

    def _hashed(
        self, entry: dict[str, Any], contents: dict[str, str], role: str | None = None
    ) -> dict[str, Any]:
        """The entry with the hash of its content in place of the content, which goes to ``contents``.

        ``role`` has the source where it is not the role of this task.
        """
        source = entry.pop("src", None)
        content = entry.pop("content", None)
        if source is not None and content is not None:
            raise AnsibleActionFail(f"{entry.get('path')}: give content or src, not both")
        if source is not None:
            content = self._source(source, role).read_text(encoding="utf-8")
        if content is None:
            return entry
        contents[str(entry.get("path"))] = content
        return {**entry, "sha256": hashlib.sha256(content.encode()).hexdigest()}

    def _source(self, name: str, role: str | None) -> Path:
        if role is None:
            return Path(self._find_needle("files", name))
        if self._task._role is None:
            raise AnsibleActionFail(f"{name}: the list of a role is compared ahead only by a role")
        return Path(self._task._role._role_path).parent / role / "files" / name

    def _full(
        self, entry: dict[str, Any], contents: dict[str, str], needs: set[str]
    ) -> dict[str, Any]:
        path = str(entry.get("path"))
        return {**entry, "content": contents[path]} if path in needs else entry
