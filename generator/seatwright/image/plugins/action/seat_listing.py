"""Action seat_listing: files of a seat and the records of them, written into a directory.

The records are made by the very code with which the seat_files module makes them on a seat.
"""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any

import ansible.module_utils
from ansible.errors import AnsibleActionFail
from ansible.plugins.action import ActionBase


class ActionModule(ActionBase):  # type: ignore[misc]  # Ansible has no types
    """See plugins/table.yml for the arguments."""

    TRANSFERS_FILES = False

    def run(
        self, tmp: str | None = None, task_vars: dict[str, Any] | None = None
    ) -> dict[str, Any]:
        """See ActionBase.run."""
        super().run(tmp, task_vars)
        _, given = self.validate_argument_spec(
            {
                "place": {"type": "path", "required": True},
                "utilities": {"type": "path", "required": True},
                "shared": {"type": "dict", "required": True},
                "lists": {"type": "list", "elements": "dict", "required": True},
            }
        )
        # The roles' own code, found the way it is found on a seat.
        if given["utilities"] not in ansible.module_utils.__path__:
            ansible.module_utils.__path__.append(given["utilities"])
        for one in given["lists"]:
            self._put(given["place"], one)
        shared = Path(given["place"], "shared.json")
        shared.write_text(json.dumps(given["shared"], sort_keys=True))
        return {"changed": False}

    def _put(self, place: str, one: dict[str, Any]) -> None:
        """One list, as seat_files would put it on a seat that has nothing, no directory either."""
        from ansible.module_utils.seat_changes import carry_out, missing_directories, plan_changes
        from ansible.module_utils.seat_entries import Refused, parse_entries
        from ansible.module_utils.seat_manifest import wanted_manifest, write_manifest

        try:
            entries = parse_entries([entry for entry in one["files"] if not _secret(entry)])
        except Refused as error:
            raise AnsibleActionFail(str(error)) from None
        os.makedirs(place, exist_ok=True)
        changes = plan_changes(place, entries, None, set())
        made = missing_directories(place, changes)
        carry_out(place, changes)
        write_manifest(place, wanted_manifest(one["name"], True, entries, None, made))


def _secret(entry: dict[str, Any]) -> bool:
    return bool(entry.get("sensitive"))
