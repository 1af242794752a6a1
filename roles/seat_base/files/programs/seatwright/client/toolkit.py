"""The libraries with the picture: GTK 3 and spice-gtk through GObject introspection.

The one place that imports them, so that everything without a picture runs without them.  They
have no types: everything here is Any.
"""

from __future__ import annotations

from typing import Any

import gi  # type: ignore[import-not-found, unused-ignore]

gi.require_version("Gdk", "3.0")
gi.require_version("Gtk", "3.0")
gi.require_version("SpiceClientGLib", "2.0")
gi.require_version("SpiceClientGtk", "3.0")

from gi.repository import (  # type: ignore[import-not-found, unused-ignore]  # noqa: E402
    Gdk as _Gdk,
)
from gi.repository import Gio as _Gio  # noqa: E402
from gi.repository import GLib as _GLib  # noqa: E402
from gi.repository import GObject as _GObject  # noqa: E402
from gi.repository import Gtk as _Gtk  # noqa: E402
from gi.repository import SpiceClientGLib as _Spice  # noqa: E402
from gi.repository import SpiceClientGtk as _SpiceGtk  # noqa: E402

Gdk: Any = _Gdk
Gio: Any = _Gio
GLib: Any = _GLib
GObject: Any = _GObject
Gtk: Any = _Gtk
Spice: Any = _Spice
SpiceGtk: Any = _SpiceGtk


def on(source: Any, signal: str, handler: Any) -> int:
    """Connect a signal. Session and Channel have a ``connect`` of their own that hides it."""
    return int(_GObject.Object.connect(source, signal, handler))
