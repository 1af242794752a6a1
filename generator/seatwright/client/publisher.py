"""Writes the session's state where others read it: as JSON, and as metrics."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path

from seatwright.client.files import write_atomic, write_json
from seatwright.client.metrics import metrics
from seatwright.client.runfiles import METRICS, STATE
from seatwright.client.state import FORMAT, State


class Publisher:
    """Writes both files in ``run`` when the state differs from what is there."""

    def __init__(self, run: Path) -> None:
        self._run = run
        self._last: State | None = None

    def publish(self, state: State) -> None:
        """Raises OSError where a file cannot be written."""
        if state != self._last:
            write_json(self._run / STATE, {"format": FORMAT, **asdict(state)}, durable=False)
            write_atomic(self._run / METRICS, metrics(state).encode(), durable=False)
            self._last = state
