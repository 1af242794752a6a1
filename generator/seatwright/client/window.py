"""The window: the guest's picture, or a page that says why there is none, with notices above.

One window that fills the screen; nothing in it can be closed, moved or opened, except the device
picker by its chord.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from seatwright.client.config import SessionConfig
from seatwright.client.toolkit import Gdk, GLib, Gtk, SpiceGtk, on

NOTICE_SECONDS = 8

STYLE = b"""
.seat { background: #20262b; color: #f2efe6; }
.seat .room { font-size: 20px; color: #9fb3a9; }
.seat .guest { font-size: 44px; font-weight: bold; margin: 12px; }
.seat .what { font-size: 28px; margin: 12px; }
.seat .then { font-size: 20px; color: #9fb3a9; }
.notice { background: #f0c75e; color: #20262b; font-size: 24px; padding: 14px 28px; }
.panel { background: #2d363d; color: #f2efe6; padding: 28px; border: 3px solid #f0c75e; }
.panel .title { font-size: 32px; font-weight: bold; margin-bottom: 14px; }
.panel .help + .title { margin-top: 14px; }
.panel .help { font-size: 18px; color: #9fb3a9; margin-top: 14px; }
.panel list { background: #2d363d; color: #f2efe6; }
.panel row { padding: 12px 16px; font-size: 26px; }
.panel row:selected { background: #f0c75e; color: #20262b; }
.panel .where { font-size: 20px; }
.panel textview text, .panel textview { background: #20262b; color: #f2efe6; font-size: 15px; }
"""


class Window:
    """The seat's only window."""

    def __init__(self, config: SessionConfig) -> None:
        self._notice_timer = 0
        self._panels = 0
        self._used: Callable[[], None] = _nothing
        self._display: Any = None
        _use_style()
        self._page, self._what, self._then = _page(config)
        self._stack = Gtk.Stack()
        self._stack.add_named(self._page, "page")
        self._overlay = Gtk.Overlay()
        self._overlay.add(self._stack)
        self._notice = _label("notice", wrap=True)
        self._notice.set_valign(Gtk.Align.END)
        self._notice.set_no_show_all(True)
        self._overlay.add_overlay(self._notice)
        self.top = Gtk.Window(title=config.site_title)
        self.top.add(self._overlay)
        self.top.set_default_size(*_screen_size())
        self.top.set_decorated(False)  # no bar with a button to close it
        self.top.fullscreen()
        on(self.top, "delete-event", lambda *_: True)

    def show(self, mapped: Callable[[], None]) -> None:
        """Show it, and say when it is on the screen."""
        on(self.top, "map-event", lambda *_: mapped())
        self.top.show_all()

    def watch_input(self, used: Callable[[], None], key: Callable[[Any], bool]) -> None:
        """Tell of every key and button; ``key`` returns True where the guest must not see it."""
        self._used = used

        def pressed(_: Any, event: Any) -> bool:
            used()
            return key(event)

        on(self.top, "key-press-event", pressed)

    def attach(self, session: Any, picture: Callable[[], None]) -> None:
        """The guest has a display: make its widget, and say when there is a picture.

        Only now: the widget fails without its channel.
        """
        self.detach()
        display = SpiceGtk.Display.new(session, 0)
        for name in ("scaling", "resize-guest", "grab-keyboard"):
            display.set_property(name, True)
        # Grabbing the pointer needs Wayland protocols that a kiosk compositor may not have: the
        # library then crashes. The window fills the screen, so there is nowhere to lose it to.
        display.set_property("grab-mouse", False)

        def ready(*_: Any) -> None:
            if display is self._display and display.get_property("ready"):
                self._stack.set_visible_child_name("display")
                self._focus()
                picture()

        def clicked(*_: Any) -> bool:
            self._used()
            return False

        on(display, "notify::ready", ready)
        on(display, "button-press-event", clicked)
        on(display, "scroll-event", clicked)
        self._display = display
        self._stack.add_named(display, "display")
        display.show()

    def detach(self) -> None:
        """The guest's display is gone."""
        display, self._display = self._display, None
        if display is not None:
            self._stack.set_visible_child_name("page")
            self._stack.remove(display)
            display.destroy()

    def show_page(self, what: str, then: str = "") -> None:
        """No picture: ``what`` is the matter, and what happens next."""
        self._what.set_text(what)
        self._then.set_text(then)
        self._stack.set_visible_child_name("page")

    def notice(self, text: str) -> None:
        """One sentence at the lower edge, for a while."""
        self._notice.set_text(text)
        self._notice.show()
        if self._notice_timer:
            GLib.source_remove(self._notice_timer)
        self._notice_timer = GLib.timeout_add_seconds(NOTICE_SECONDS, self._hide_notice)

    def lay_over(self, panel: Any) -> None:
        """Put a panel over the whole screen, so that the guest gets no pointer meanwhile.

        The focus goes too: with it the guest is told that the keys of the chord are released. It
        would not be told while the keyboard is grabbed.
        """
        self._panels += 1
        if self._display is not None:
            self._display.keyboard_ungrab()
            self._display.mouse_ungrab()
            self.top.set_focus(None)
        self._overlay.add_overlay(panel)
        panel.show_all()

    def take_off(self, panel: Any) -> None:
        """Remove the panel; the guest has the keyboard again."""
        self._panels -= 1
        self._overlay.remove(panel)
        self._focus()

    def _focus(self) -> None:
        if self._display is not None and not self._panels:
            self._display.grab_focus()

    def _hide_notice(self) -> bool:
        self._notice_timer = 0
        self._notice.hide()
        return False


def _nothing() -> None:
    """Until somebody wants to know."""


def _page(config: SessionConfig) -> tuple[Any, Any, Any]:
    box = Gtk.Box(orientation=Gtk.Orientation.VERTICAL, valign=Gtk.Align.CENTER)
    room = _label("room")
    room.set_text(f"{config.site_title} · {config.room_title} · {config.seat}")
    guest = _label("guest")
    guest.set_text(config.guest)
    what, then = _label("what", wrap=True), _label("then", wrap=True)
    for label in (room, guest, what, then):
        box.pack_start(label, False, False, 0)
    ground = Gtk.EventBox()
    ground.get_style_context().add_class("seat")
    ground.add(box)
    return ground, what, then


def _label(style: str, *, wrap: bool = False) -> Any:
    """Text is set with set_text only: a name can never become markup."""
    label = Gtk.Label()
    label.get_style_context().add_class(style)
    label.set_line_wrap(wrap)
    label.set_justify(Gtk.Justification.CENTER)
    return label


def _use_style() -> None:
    provider = Gtk.CssProvider()
    provider.load_from_data(STYLE)
    Gtk.StyleContext.add_provider_for_screen(
        Gdk.Screen.get_default(), provider, Gtk.STYLE_PROVIDER_PRIORITY_APPLICATION
    )


def _screen_size() -> tuple[int, int]:
    """The first monitor's size: without a window manager nobody else stretches the window."""
    monitor = Gdk.Display.get_default().get_monitor(0)
    if monitor is None:
        return 1280, 720
    geometry = monitor.get_geometry()
    return geometry.width, geometry.height
