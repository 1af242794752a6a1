"""The way into a running twin: commands over a serial port of its own (see ``agent``)."""

from __future__ import annotations

import json
import socket
import time
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import count
from pathlib import Path
from typing import Any

from seatwright.twin.agent import LONGEST
from seatwright.twin.errors import TwinError
from seatwright.twin.root import AGENT_PORT

BOOTING = 180.0
"""Seconds until a machine must answer; about 15 on two idle cores."""


@dataclass(frozen=True, slots=True)
class Ran:
    """A command that has ended."""

    code: int
    out: str
    err: str

    def expect_success(self) -> Ran:
        """This, if it ended with 0; :class:`TwinError` otherwise."""
        if self.code != 0:
            raise TwinError(f"A command in the twin ended with {self.code}:\n{self.out}{self.err}")
        return self


def console_options(path: Path) -> Iterator[str]:
    """The serial port, as options of the emulator."""
    path.unlink(missing_ok=True)
    yield from ("-device", "virtio-serial-pci")
    yield from ("-chardev", f"socket,id=agent,path={path},server=on,wait=off")
    yield from ("-device", f"virtserialport,chardev=agent,name={AGENT_PORT}")


class Console:
    """One connection to one twin's agent. An answer that came too late is not taken for another."""

    def __init__(self, path: Path) -> None:
        self._line = socket.socket(socket.AF_UNIX)
        self._line.connect(str(path))
        self._heard = b""
        self._numbers = count(1)

    def wait_up(self, seconds: float) -> None:
        """Wait until the agent says that it is there."""
        self._answer(0, seconds)

    def run(self, *argv: str, input: str = "") -> Ran:
        """Run a command as root and wait for its end. Never raises for what the command does."""
        number = next(self._numbers)
        order = {"number": number, "argv": argv, "input": input}
        self._line.sendall(json.dumps(order).encode() + b"\n")
        answer = self._answer(number, LONGEST + 10)
        return Ran(int(answer["code"]), str(answer["out"]), str(answer["err"]))

    def close(self) -> None:
        """Leave."""
        self._line.close()

    def _answer(self, number: int, seconds: float) -> dict[str, Any]:
        """The answer to one order; 0 is the agent's first word."""
        deadline = time.monotonic() + seconds
        while True:
            line, end, rest = self._heard.partition(b"\n")
            if end:
                self._heard = rest
                answer = json.loads(line)
                if answer["number"] == number:
                    assert isinstance(answer, dict)
                    return answer
                continue
            self._line.settimeout(max(0.01, deadline - time.monotonic()))
            self._heard += self._read(seconds)

    def _read(self, seconds: float) -> bytes:
        try:
            more = self._line.recv(1 << 20)
        except TimeoutError:
            raise TwinError(f"The twin did not answer within {seconds:.0f} s.") from None
        if not more:
            raise TwinError("The twin has ended.")
        return more
