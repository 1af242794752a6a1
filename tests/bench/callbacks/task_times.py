"""Ansible callback: writes which task took how long, and on how many hosts it was executed.

Set ``SEATWRIGHT_TASK_TIMES`` to the file that is to hold the JSON list of
``{"task": …, "seconds": …, "executed": …, "skipped": …}``, in the order of the run.
"""

from __future__ import annotations

import json
import os
import time
from typing import Any

from ansible.plugins.callback import CallbackBase


class CallbackModule(CallbackBase):  # type: ignore[misc]  # Ansible has no types
    """Measures wall time from one task's start to the next one's."""

    CALLBACK_VERSION = 2.0
    CALLBACK_TYPE = "aggregate"
    CALLBACK_NAME = "task_times"
    CALLBACK_NEEDS_ENABLED = True

    def __init__(self) -> None:
        super().__init__()
        self._tasks: list[dict[str, Any]] = []
        self._began = time.monotonic()

    def _close(self) -> None:
        if self._tasks:
            self._tasks[-1]["seconds"] = time.monotonic() - self._began
        self._began = time.monotonic()

    def v2_playbook_on_task_start(self, task: Any, is_conditional: bool) -> None:
        self._close()
        self._tasks.append({"task": task.get_name(), "seconds": 0.0, "executed": 0, "skipped": 0})

    v2_playbook_on_handler_task_start = v2_playbook_on_cleanup_task_start = lambda self, task: (
        self.v2_playbook_on_task_start(task, False)
    )

    def _count(self, key: str) -> None:
        if self._tasks:
            self._tasks[-1][key] += 1

    def v2_runner_on_ok(self, result: Any) -> None:
        self._count("executed")

    def v2_runner_on_failed(self, result: Any, ignore_errors: bool = False) -> None:
        self._count("executed")

    def v2_runner_on_skipped(self, result: Any) -> None:
        self._count("skipped")

    def v2_playbook_on_stats(self, stats: Any) -> None:
        self._close()
        with open(os.environ["SEATWRIGHT_TASK_TIMES"], "w") as out:
            json.dump(self._tasks, out)
