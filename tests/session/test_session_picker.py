"""The picker's widgets alone, in a process with Debian's GTK."""

from __future__ import annotations

import os
import subprocess

from live import GENERATOR, PYTHON

CLOSED_WHILE_LAID_OUT = """
from seatwright.client.decide import Kind, Verdict, Why
from seatwright.client.handover import Plugged
from seatwright.client.messages import Messages
from seatwright.client.picker import Picker
from seatwright.client.toolkit import GLib, Gtk, on

verdict = Verdict(Kind.OFFER, Why.WHEN_PICKED)
window, loop = Gtk.Window(), GLib.MainLoop()
picker = Picker(Messages("en"), "rr-01", print)
panel = picker.alone()
window.add(panel)
picker.fill([Plugged(key, "1209:0007", "1-2", "Camera", verdict) for key in range(9)])

def close():
    if panel.get_parent() is not None:
        window.remove(panel)
        panel.destroy()
        GLib.timeout_add(300, loop.quit)

def laid_out(*_):  # a key was waiting behind the layout
    GLib.idle_add(close, priority=GLib.PRIORITY_HIGH)

on(picker.parts[1], "size-allocate", laid_out)
window.show_all()
loop.run()
print("closed")
"""


def test_it_can_be_closed_while_it_is_laid_out(display: str) -> None:
    """Its wish to bring the chosen row into view goes with it."""
    environment = {
        "PATH": os.environ["PATH"],
        "DISPLAY": display,
        "GDK_BACKEND": "x11",
        "PYTHONPATH": str(GENERATOR),
        "PYTHONDONTWRITEBYTECODE": "1",
    }
    ran = subprocess.run(
        [PYTHON, "-c", CLOSED_WHILE_LAID_OUT],
        env=environment,
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert (ran.stdout, ran.returncode) == ("closed\n", 0), ran.stderr
    assert "Traceback" not in ran.stderr and "CRITICAL" not in ran.stderr, ran.stderr
