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


NEWEST_LINE = """
from seatwright.client.messages import Messages
from seatwright.client.picker import Picker, SupportPanel
from seatwright.client.toolkit import GLib, Gtk

messages, window, loop = Messages("en"), Gtk.Window(), GLib.MainLoop()
support = SupportPanel(messages, Picker(messages, "rr-01", print), 1)
window.add(support.panel)
support.fill((), [f"line {number}" for number in range(30)])
window.show_all()

def look():
    buffer = support.log.get_buffer()
    seen = support.log.get_visible_rect()
    last = support.log.get_iter_location(buffer.get_end_iter())
    print("newest in view" if last.y < seen.y + seen.height else f"{last.y} below {seen.y}")
    loop.quit()

GLib.timeout_add(500, look)
loop.run()
"""

ALIKE = """
from seatwright.client.decide import Kind, Verdict, Why
from seatwright.client.handover import Plugged
from seatwright.client.messages import Messages
from seatwright.client.picker import Picker
from seatwright.client.toolkit import Gtk

offered, kept = Verdict(Kind.OFFER, Why.WHEN_PICKED), Verdict(Kind.KEEP, Why.ONBOARD)
devices = [
    Plugged(1, "1209:0007", "1-2", "Camera", offered),
    Plugged(2, "1209:0008", "1-3", "Drive", offered),
    Plugged(3, "1209:0008", "2-1.4", "Drive", offered),
    Plugged(4, "1209:0007", "1-1", "Camera", kept),
]
picker = Picker(Messages("en"), "rr-01", print)
picker.fill(devices)
rows = picker.parts[1].get_child().get_child().get_children()
for row in rows:
    print(row.get_child().get_children()[0].get_text())
"""


def test_devices_of_one_name_are_told_apart_by_their_place(display: str) -> None:
    assert run_gtk(ALIKE, display) == "Camera\nDrive (1-3)\nDrive (2-1.4)\n"


def test_it_can_be_closed_while_it_is_laid_out(display: str) -> None:
    """Its wish to bring the chosen row into view goes with it."""
    assert run_gtk(CLOSED_WHILE_LAID_OUT, display) == "closed\n"


def test_support_mode_shows_the_newest_line_of_the_log(display: str) -> None:
    assert run_gtk(NEWEST_LINE, display) == "newest in view\n"


def run_gtk(program: str, display: str) -> str:
    """What a program prints that nothing complains about."""
    environment = {
        "PATH": os.environ["PATH"],
        "DISPLAY": display,
        "GDK_BACKEND": "x11",
        "PYTHONPATH": str(GENERATOR),
        "PYTHONDONTWRITEBYTECODE": "1",
    }
    ran = subprocess.run(
        [PYTHON, "-c", program],
        env=environment,
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert ran.returncode == 0, ran.stderr
    assert "Traceback" not in ran.stderr and "CRITICAL" not in ran.stderr, ran.stderr
    return ran.stdout
