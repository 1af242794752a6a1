"""What can lie over the guest's picture, and when: the picker by its chord, support mode by the
keeper's word, a notice that a restart waits.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from seatwright.client.config import DEFAULT_PICKER_KEYS, SessionConfig
from seatwright.client.handover import Handover, Status
from seatwright.client.journal import WARNING, Journal
from seatwright.client.messages import Messages
from seatwright.client.picker import SUPPORT_HEIGHT, Picker, SupportPanel
from seatwright.client.runfiles import RESTART_WANTED, SUPPORT, boot_clock, support_left
from seatwright.client.toolkit import Gdk, Gio, GLib, Gtk, on
from seatwright.client.window import Window


class Panels:
    """At most one panel is open; support mode takes the place of the picker."""

    def __init__(
        self,
        config: SessionConfig,
        messages: Messages,
        window: Window,
        handover: Handover,
        journal: Journal,
        run: Path,
    ) -> None:
        self._guest, self._messages, self._window = config.guest, messages, window
        self._handover, self._journal, self._run = handover, journal, run
        self._chord = self._parse(config.picker_keys)
        self._began = boot_clock()
        self._picker: Picker | None = None
        self._support: SupportPanel | None = None
        self._panel: Any = None
        self._support_timer = 0
        self._monitor: Any = None

    def key(self, event: Any) -> bool:
        """A key was pressed; True where it is ours and the guest must not see it."""
        if self._is_chord(event):
            if self._support is None:
                self._close() if self._picker else self._open_picker()
            return True
        if self._picker is None:
            return False
        if not self._picker.key(event) and self._support is None:
            self._close()
        return True

    def refresh(self) -> None:
        """Devices or lines changed."""
        devices = self._handover.plugged()
        if self._picker is not None:
            self._picker.fill(devices)
        if self._support is not None:
            self._support.fill(devices, tuple(self._journal.lines)[-30:])

    def watch_run_files(self) -> None:
        """Follow what the keeper leaves in the run-time directory."""
        directory = Gio.File.new_for_path(str(self._run))
        try:
            self._monitor = directory.monitor_directory(Gio.FileMonitorFlags.WATCH_MOVES, None)
        except GLib.Error as error:
            self._journal.note("unwatched", str(error.message), priority=WARNING)
            return
        on(self._monitor, "changed", self._run_file_changed)
        self._look_at_restart()

    def _run_file_changed(self, _: Any, file: Any, other: Any, *__: Any) -> None:
        names = {one.get_basename() for one in (file, other) if one is not None}
        if SUPPORT in names:
            self._look_at_support()
        if RESTART_WANTED in names:
            self._look_at_restart()

    def _look_at_restart(self) -> None:
        if (self._run / RESTART_WANTED).exists():
            self._window.notice(self._messages.say("restart-waiting"))

    def _look_at_support(self) -> bool:
        left = support_left(self._run, self._began, boot_clock())
        if self._support_timer:
            GLib.source_remove(self._support_timer)
            self._support_timer = 0
        if left > 0:
            self._open_support(left)
            self._support_timer = GLib.timeout_add(int(left * 1000) + 50, self._support_over)
        else:
            self._close_support()
        return False

    def _support_over(self) -> bool:
        self._support_timer = 0
        return self._look_at_support()

    def _open_support(self, left: float) -> None:
        self._close()
        self._journal.note("support-began", "Support mode begins.", seconds=round(left))
        self._picker = Picker(self._messages, self._guest, self._chosen, SUPPORT_HEIGHT)
        self._support = SupportPanel(self._messages, self._picker, max(1, round(left / 60)))
        self._open(self._support.panel)

    def _close_support(self) -> None:
        if self._support is not None:
            self._close()
            self._journal.note("support-ended", "Support mode has ended.")

    def _open_picker(self) -> None:
        self._picker = Picker(self._messages, self._guest, self._chosen)
        self._open(self._picker.alone())

    def _open(self, panel: Any) -> None:
        self._panel = panel
        self._window.lay_over(panel)
        self.refresh()

    def _close(self) -> None:
        """Whatever is open."""
        if self._panel is not None:
            self._window.take_off(self._panel)
        self._picker, self._support, self._panel = None, None, None

    def _chosen(self, key: int) -> None:
        device = next((one for one in self._handover.plugged() if one.key == key), None)
        if device is None:
            return
        if device.status in (Status.THERE, Status.WAITING):
            self._handover.take_back(key)
        else:
            self._handover.pick(key)
        self.refresh()

    def _is_chord(self, event: Any) -> bool:
        value, modifiers = self._chord
        pressed = event.state & Gtk.accelerator_get_default_mod_mask()
        return bool(pressed == modifiers and Gdk.keyval_to_lower(event.keyval) == value)

    def _parse(self, keys: str) -> tuple[int, Any]:
        """GTK's notation for ``Control+Alt+U``; the default where GTK knows no such key."""
        *modifiers, key = keys.split("+")
        value, mask = Gtk.accelerator_parse("".join(f"<{one}>" for one in modifiers) + key)
        if value == 0:
            self._journal.note("picker-keys", f"No such key: {keys}", priority=WARNING)
            return self._parse(DEFAULT_PICKER_KEYS)
        return Gdk.keyval_to_lower(value), mask
