"""Whether the seat's clock can be believed: a certificate cannot be judged by a wrong one.

Boards without a clock of their own start at a time long past.  Where a service on the seat sets the
clock, nothing is done before it has; where none does, the clock is taken as it is.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from seatwright.client.toolkit import Gio, GLib

NAME, PLACE, FACE = (
    "org.freedesktop.timedate1",
    "/org/freedesktop/timedate1",
    "org.freedesktop.timedate1",
)
"""systemd's org.freedesktop.timedate1(5); it answers for whatever service sets the clock."""
SYNCHRONIZED = Path("/run/systemd/timesync/synchronized")
"""There once systemd's own service has set the clock (systemd-timesyncd.service(8))."""
PATIENCE_MS = 10_000

Answer = Callable[[bool], None]


class Clock:
    """Asked before each connect; once it was right it stays so."""

    def __init__(self, wait: bool) -> None:
        self._right = not wait

    def ask(self, answer: Answer) -> None:
        """Call ``answer`` with whether to go on; False means: ask again in a while."""
        if self._right or SYNCHRONIZED.exists():
            self._settle(True, answer)
            return
        # Starts systemd's service for questions about the clock, which takes a while.
        Gio.bus_get(Gio.BusType.SYSTEM, None, lambda _, found: self._on_bus(found, answer))

    def _on_bus(self, found: Any, answer: Answer) -> None:
        try:
            bus = Gio.bus_get_finish(found)
        except GLib.Error:
            self._settle(True, answer)  # nobody to ask: no service sets this clock
            return
        question = GLib.Variant("(s)", (FACE,))
        kind = GLib.VariantType("(a{sv})")
        what = (NAME, PLACE, "org.freedesktop.DBus.Properties", "GetAll", question, kind)
        flags = Gio.DBusCallFlags.NONE
        bus.call(*what, flags, PATIENCE_MS, None, lambda bus, done: self._told(bus, done, answer))

    def _told(self, bus: Any, done: Any, answer: Answer) -> None:
        try:
            (values,) = bus.call_finish(done).unpack()
        except GLib.Error:
            values = {}
        self._settle(not values.get("NTP") or bool(values.get("NTPSynchronized")), answer)

    def _settle(self, right: bool, answer: Answer) -> None:
        self._right = right
        answer(right)
