"""The least that shows a guest with spice-gtk; with ``usb`` it hands over every device at once.

What the session is measured beside: the same library, no rules, no texts, nothing else. Runs in a
client twin as the session would, and says on standard output what happened.
"""

from __future__ import annotations

import sys
from pathlib import Path

import gi

gi.require_version("Gtk", "3.0")
gi.require_version("SpiceClientGLib", "2.0")
gi.require_version("SpiceClientGtk", "3.0")
from gi.repository import GObject, Gtk, SpiceClientGLib, SpiceClientGtk  # noqa: E402

CA = "/etc/seatwright/ca.pem"
READY = Path("/run/seatwright/state.json")


def on(source: object, signal: str, handler: object) -> None:
    GObject.Object.connect(source, signal, handler)


def main(host: str, port: str, usb: bool) -> None:
    session = SpiceClientGLib.Session.new()
    for name, value in (("host", host), ("tls-port", port), ("ca-file", CA)):
        session.set_property(name, value)
    session.set_property("verify", SpiceClientGLib.SessionVerify.HOSTNAME)
    window = Gtk.Window()
    window.set_decorated(False)
    window.fullscreen()

    def shown(display: object, *_: object) -> None:
        if display.get_property("ready"):
            READY.write_text('{"state": "shown"}\n')

    def channel(_: object, new: object) -> None:
        if isinstance(new, SpiceClientGLib.DisplayChannel):
            display = SpiceClientGtk.Display.new(session, 0)
            display.set_property("grab-mouse", False)
            on(display, "notify::ready", shown)
            window.add(display)
            window.show_all()

    on(session, "channel-new", channel)
    if usb:
        hand_over(session)
    session.connect()
    Gtk.main()


def hand_over(session: object) -> None:
    manager = SpiceClientGLib.UsbDeviceManager.get(session)
    manager.set_property("auto-connect", False)
    kept: list[object] = []

    def done(manager: object, result: object, *_: object) -> None:
        try:
            manager.connect_device_finish(result)
        except gi.repository.GLib.Error as error:
            print(error.message, flush=True)
        else:
            print("floor: there", flush=True)

    def added(_: object, device: object) -> None:
        kept.append(device)
        manager.connect_device_async(device, None, done)

    on(manager, "device-added", added)


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2], "usb" in sys.argv[3:])
