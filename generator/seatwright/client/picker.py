"""Panels above the guest: the device picker, and in support mode every device with the log.

The picker lists what may go to the guest; kept devices are not in it.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from typing import Any

from seatwright.client.decide import Kind
from seatwright.client.handover import Plugged, Status
from seatwright.client.messages import Messages
from seatwright.client.toolkit import Gdk, GLib, Gtk, on

WHERE = {
    Status.HERE: "picker-here",
    Status.GOING: "picker-there",
    Status.THERE: "picker-there",
    Status.WAITING: "picker-waiting",
    Status.FAILED: "picker-failed",
}
STEPS = {"Up": -1, "KP_Up": -1, "Down": 1, "KP_Down": 1}
CHOOSE = ("Return", "KP_Enter", "space")
ALONE_HEIGHT, SUPPORT_HEIGHT, DEVICES_HEIGHT, LOG_HEIGHT = 440, 170, 170, 130
"""Pixels a list has at most before it scrolls: both panels fit a screen of 768."""


class Picker:
    """The list; ``chosen`` is told the key of the device that a person chose."""

    def __init__(
        self,
        messages: Messages,
        guest: str,
        chosen: Callable[[int], None],
        height: int = ALONE_HEIGHT,
    ) -> None:
        self._messages = messages
        self._guest = guest
        self._chosen = chosen
        self._keys: list[int] = []
        self._list = Gtk.ListBox(activate_on_single_click=True)
        self._empty = _text(messages.say("picker-empty"), "where")
        self._list.set_placeholder(self._empty)
        self._empty.show()
        on(self._list, "row-activated", lambda _, row: self._choose(row))
        self._scroll = _scrolled(self._list, height)
        # A new row has no place yet: its own allocation brings it into view.
        on(self._list, "size-allocate", lambda *_: GLib.idle_add(self._show_chosen))
        self.parts = (
            _text(messages.say("picker-title", guest=guest), "title"),
            self._scroll,
            _text(messages.say("picker-help"), "help"),
        )

    def alone(self) -> Any:
        """A panel with nothing but the picker."""
        return _panel(*self.parts)

    def fill(self, devices: Sequence[Plugged]) -> None:
        """Show the devices as they are now; the chosen row stays chosen.

        Devices of one name are told apart by their port paths.
        """
        row = self._list.get_selected_row()
        chosen = self._keys[row.get_index()] if row is not None else None
        offered = [device for device in devices if device.verdict.kind is not Kind.KEEP]
        self._keys = [device.key for device in offered]
        for old in self._list.get_children():
            self._list.remove(old)
        same = Counter(device.name for device in offered)
        for device in offered:
            where = self._messages.say(WHERE[device.status], guest=self._guest)
            told_by = f"{device.name} ({device.place})" if same[device.name] > 1 else device.name
            self._list.add(_row(told_by, where))
        self._list.show_all()
        if self._keys:
            number = self._keys.index(chosen) if chosen in self._keys else 0
            self._list.select_row(self._list.get_row_at_index(number))

    def key(self, event: Any) -> bool:
        """Handle a key; False where it means closing."""
        name = Gdk.keyval_name(event.keyval) or ""
        row = self._list.get_selected_row()
        if name in STEPS and row is not None:
            number = (row.get_index() + STEPS[name]) % len(self._keys)
            self._list.select_row(self._list.get_row_at_index(number))
        elif name in CHOOSE and row is not None:
            self._choose(row)
        self._show_chosen()
        return name != "Escape"

    def _show_chosen(self) -> bool:
        """Scroll so far that the chosen row is in view; the picker may be closed by now."""
        row = self._list.get_selected_row()
        if row is not None and self._scroll.get_mapped():
            place = row.get_allocation()
            self._scroll.get_vadjustment().clamp_page(place.y, place.y + place.height)
        return False

    def _choose(self, row: Any) -> None:
        self._chosen(self._keys[row.get_index()])


class SupportPanel:
    """The picker, every device with the reason for what happens to it, the end of the log."""

    def __init__(self, messages: Messages, picker: Picker, minutes: int) -> None:
        self._messages = messages
        self._devices = _text("", "where")
        self._devices.set_selectable(False)
        self.log = Gtk.TextView(editable=False, cursor_visible=False, monospace=True)
        self.log.set_wrap_mode(Gtk.WrapMode.WORD_CHAR)
        log = _scrolled(self.log, LOG_HEIGHT)
        log.set_property("min-content-height", LOG_HEIGHT)
        log.set_property("min-content-width", 900)
        # The newest line is the last; its place is known once the text has been laid out.
        on(log.get_vadjustment(), "changed", lambda place: place.set_value(place.get_upper()))
        self.panel = _panel(
            *picker.parts,
            _text(messages.say("support-title"), "title"),
            _scrolled(self._devices, DEVICES_HEIGHT),
            log,
            _text(messages.say("support-ends", minutes=minutes), "help"),
        )

    def fill(self, devices: Sequence[Plugged], lines: Sequence[str]) -> None:
        """Show both as they are now."""
        self._devices.set_text(
            "\n".join(
                f"{device.place or '?'}  {device.id}  {device.name}: "
                f"{self._messages.reason(device.verdict)}"
                + (f" ({device.error})" if device.error else "")
                for device in devices
            )
        )
        self.log.get_buffer().set_text("\n".join(lines))


def _scrolled(child: Any, height: int) -> Any:
    """As high as what is in it, up to a limit; scrolls up and down only."""
    scroll = Gtk.ScrolledWindow(propagate_natural_height=True, max_content_height=height)
    scroll.set_policy(Gtk.PolicyType.NEVER, Gtk.PolicyType.AUTOMATIC)
    scroll.add(child)
    return scroll


def _panel(*parts: Any) -> Any:
    """A box in the middle; the frame around it fills the screen and takes every click."""
    box = Gtk.Box(orientation=Gtk.Orientation.VERTICAL)
    box.set_halign(Gtk.Align.CENTER)
    box.set_valign(Gtk.Align.CENTER)
    box.get_style_context().add_class("panel")
    for part in parts:
        box.pack_start(part, False, False, 0)
    frame = Gtk.EventBox(visible_window=False)
    frame.add_events(
        Gdk.EventMask.BUTTON_PRESS_MASK
        | Gdk.EventMask.SCROLL_MASK
        | Gdk.EventMask.POINTER_MOTION_MASK
    )
    for signal in ("button-press-event", "scroll-event", "motion-notify-event"):
        on(frame, signal, lambda *_: True)
    frame.add(box)
    return frame


def _row(name: str, where: str) -> Any:
    box = Gtk.Box(spacing=40)
    left, right = _text(name), _text(where, "where")
    box.pack_start(left, True, True, 0)
    box.pack_end(right, False, False, 0)
    return box


def _text(text: str, style: str = "") -> Any:
    label = Gtk.Label(xalign=0)
    label.set_text(text)
    if style:
        label.get_style_context().add_class(style)
    return label
