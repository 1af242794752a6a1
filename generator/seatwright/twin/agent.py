"""Runs inside the client twin: carries out commands that come over a serial port of its own.

So the twin can be asked about anything while its network is down or its adapter under attack.
One line of JSON each way: ``{"number": 1, "argv": [...], "input": "..."}`` and
``{"number": 1, "code": 0, "out": "...", "err": "..."}``; number 0 says that it is there.
Only Debian's Python; no part of a real seat.
"""

from __future__ import annotations

import io
import json
import subprocess
import sys
import time

LONGEST = 60
"""Seconds a command may take."""


def carry_out(order: dict[str, object]) -> dict[str, object]:
    """Run one command to its end."""
    try:
        done = subprocess.run(
            list(map(str, order["argv"])),  # type: ignore[call-overload]
            input=str(order.get("input", "")),
            capture_output=True,
            text=True,
            errors="replace",
            timeout=LONGEST,
        )
    except (OSError, subprocess.TimeoutExpired) as error:
        return {"number": order["number"], "code": 127, "out": "", "err": str(error)}
    told = {"code": done.returncode, "out": done.stdout, "err": done.stderr}
    return {"number": order["number"], **told}


def say(line: io.FileIO, answer: dict[str, object]) -> None:
    """Write one line; the port takes no more than 32 kB at a time."""
    text = json.dumps(answer).encode() + b"\n"
    while text:
        text = text[line.write(text) or 0 :]


def main(port: str) -> None:
    """Answer until the machine ends."""
    with open(port, "r+b", buffering=0) as line:
        say(line, {"number": 0})
        waiting = b""
        while True:
            heard = line.read(65536)
            if not heard:  # nobody holds the other end
                time.sleep(0.2)
            waiting += heard
            while b"\n" in waiting:
                text, _, waiting = waiting.partition(b"\n")
                say(line, carry_out(json.loads(text)))


if __name__ == "__main__":
    main(sys.argv[1])
