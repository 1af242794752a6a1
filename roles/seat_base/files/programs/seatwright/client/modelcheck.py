"""Whether this machine is like its model, asked before the session first starts.

Where a seat was made as an image, or in a container, nothing could be compared then; this is the
first moment that it can be.  Runs as root from seatwright-model.service, before each start of the
session, which starts only where this leaves a mark in /run.  Ends with 0 (like it, or nothing to
compare) or 1 (not like it, or no model can be read), and says why in words for whoever stands
before the screen.  What passed is remembered for this model and this kind of machine: a device
that breaks later does not take the seat out of service.
"""

from __future__ import annotations

import hashlib
import json
import sys
import time
from collections.abc import Callable

from seatwright.client.files import read_small, remove, write_atomic
from seatwright.client.layout import Layout
from seatwright.survey.check import Checked, check_model

PATIENCE = 20.0
"""Seconds for devices to appear and for a network to come up after the kernel has started."""
POLL = 1.0

Check = Callable[..., Checked]


def main() -> int:
    """Compare, say, remember."""
    return run(Layout(), PATIENCE)


def run(layout: Layout, patience: float, check: Check = check_model) -> int:
    """As :func:`main`, below another root or with less patience."""
    remove(layout.model_passed)
    try:
        passed = _passes(layout, patience, check)
    except (OSError, ValueError) as error:
        say(f"The session does not start: {layout.model} cannot be used: {error}")
        return 1
    if passed:
        layout.model_passed.parent.mkdir(parents=True, exist_ok=True)
        write_atomic(layout.model_passed, b"", durable=False)
    return 0 if passed else 1


def _passes(layout: Layout, patience: float, check: Check) -> bool:
    """Whether the session may start. Raises OSError and ValueError where no model can be read."""
    data = read_small(layout.model)
    model = json.loads(data)
    checked = check(model)
    if not checked.deferred and _remembered(layout, data, checked):
        return True
    checked = _wait(model, checked, patience, check)
    if checked.deferred:
        say(f"Not compared with the model: {checked.deferred}.")
        return True
    for one in checked.unlike:
        say(one.sentence)
    if checked.stops and model.get("must_match", True):
        say(f"The session does not start: this machine is not like its model {model['name']}.")
        return False
    write_atomic(layout.model_checked, _mark(data, checked))
    return True


def _wait(model: dict[str, object], checked: Checked, patience: float, check: Check) -> Checked:
    """Look again while something is missing that may still come."""
    deadline = time.monotonic() + patience
    while not checked.deferred and (checked.stops or not checked.routed):
        if time.monotonic() > deadline:
            break
        time.sleep(POLL)
        checked = check(model)
    return checked


def _mark(data: bytes, checked: Checked) -> bytes:
    """Stands for a model and the kind of machine that it was compared with."""
    return f"{hashlib.sha256(data + checked.machine.encode()).hexdigest()}\n".encode()


def _remembered(layout: Layout, data: bytes, checked: Checked) -> bool:
    try:
        return read_small(layout.model_checked) == _mark(data, checked)
    except OSError:
        return False


def say(text: str) -> None:
    """A line for the screen and the journal, where the unit sends it."""
    print(text, file=sys.stderr, flush=True)
