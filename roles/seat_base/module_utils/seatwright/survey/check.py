"""Whether this machine is like its model: asked at the beginning of a run, and at a first boot.

This file is copied to the seat as it is: standard library only.
"""

from __future__ import annotations

import os
import subprocess
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from ansible.module_utils.seatwright.survey.here import Places, look_here
from ansible.module_utils.seatwright.survey.likeness import Expected, Unlike, differences, expected_from
from ansible.module_utils.seatwright.survey.seen import Look
from ansible.module_utils.seatwright.usb.capture import CaptureError

SYS = "/sys"
CONTAINER = "/run/systemd/container"
"""Where systemd says what kind of container it runs in (systemd-detect-virt(1))."""


@dataclass(frozen=True, slots=True)
class Checked:
    """What came of it: ``deferred`` says why nothing could be compared, "" where it was.

    ``machine`` is what the client says it is.
    """

    deferred: str
    unlike: tuple[Unlike, ...] = ()
    machine: str = ""
    routed: bool = True
    """Whether a default route was there: what the network goes over is known only then."""

    @property
    def stops(self) -> bool:
        """Whether the client is too unlike for a session."""
        return any(one.stops for one in self.unlike)


def check_model(model: Mapping[str, Any], *, offline: bool = False) -> Checked:
    """Compare this machine with ``model``, the document that the inventory gives.

    Its key ``sys`` names a directory in place of /sys; that is compared wherever it is.
    ``offline``: in an image, where what is below /sys is some other machine.
    Raises ValueError where it is no model.
    """
    expected = expected_from(model)
    sys = str(model.get("sys") or SYS)
    if why := _deferred(sys, offline):
        return Checked(why)
    try:
        look = look_here(Places("/sys", "/proc") if sys == SYS else Places.of(sys))
    except (OSError, subprocess.TimeoutExpired, CaptureError) as error:
        return Checked("", (_unseen(str(error)),))
    return _compared(expected, look)


def _deferred(sys: str, offline: bool) -> str:
    if sys != SYS:
        return ""
    if offline:
        return "no system runs here"
    if os.path.exists(CONTAINER):
        return "this is a container"
    devices = os.path.join(sys, "bus/usb/devices")
    if not os.path.isdir(devices) or not os.listdir(devices):
        return "there is no USB bus"
    return ""


def _compared(expected: Expected, look: Look) -> Checked:
    if look.changed:
        what = f"something came or went while it was looked at: {', '.join(look.changed[:8])}"
        return Checked("", (_unseen(what),), look.machine)
    routed = any(one.network.prefixlen == 0 for one in look.routes)
    return Checked("", differences(expected, look), look.machine, routed)


def _unseen(why: str) -> Unlike:
    return Unlike(
        f"Whether this client is like its model cannot be seen: {why}.",
        "An adapter that the model does not know could be redirected.",
        stops=True,
    )
