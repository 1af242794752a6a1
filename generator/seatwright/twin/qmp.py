"""QEMU's machine protocol: questions and orders to a running emulator.

Source: QEMU's docs/interop/qmp-spec.txt and its QAPI reference.
"""

from __future__ import annotations

import json
import socket
from collections.abc import Callable
from pathlib import Path
from typing import Any

from seatwright.twin.errors import TwinError

PATIENCE = 60.0
"""Seconds until an emulator has to answer; on a busy machine it needs some."""


class QmpError(TwinError):
    """QEMU refused an order; the text is QEMU's own."""


class Qmp:
    """One connection to one emulator."""

    def __init__(self, path: Path) -> None:
        self._line = socket.socket(socket.AF_UNIX)
        self._line.settimeout(PATIENCE)
        self._line.connect(str(path))
        self._stream = self._line.makefile("rb")
        self._events: list[dict[str, Any]] = []
        self._next()
        self.ask("qmp_capabilities")

    def ask(self, command: str, /, **arguments: object) -> Any:
        """What QEMU returns for a command; raises :class:`QmpError` where it refuses."""
        order = {"execute": command, "arguments": arguments}
        self._line.sendall(json.dumps(order).encode() + b"\n")
        while "event" in (answer := self._next()):
            self._events.append(answer)
        if "error" in answer:
            raise QmpError(f"{command}: {answer['error']['desc']}")
        return answer["return"]

    def monitor(self, line: str) -> str:
        """What the monitor for people prints for a line: ``info usb``."""
        return str(self.ask("human-monitor-command", **{"command-line": line}))

    def wait_event(self, name: str, wanted: Callable[[dict[str, Any]], bool]) -> dict[str, Any]:
        """The first event of this name, heard already or yet to come, whose data is wanted."""
        heard = 0
        while True:
            while heard == len(self._events):
                self._events.append(self._next())
            event = self._events[heard]
            if event.get("event") == name and wanted(event.get("data", {})):
                del self._events[heard]
                return event
            heard += 1

    def close(self) -> None:
        """Leave; the emulator goes on."""
        self._stream.close()
        self._line.close()

    def _next(self) -> dict[str, Any]:
        try:
            line = self._stream.readline()
        except TimeoutError:
            raise TwinError(f"The emulator did not answer within {PATIENCE:.0f} s.") from None
        if not line:
            raise TwinError("The emulator has ended.")
        message = json.loads(line)
        assert isinstance(message, dict)
        return message
