"""A SPICE client of the library that the seats have (spice-gtk): tries to connect once.

Run by Debian's Python; prints what became of the connection: ``opened``, or the library's own word
for the error.  Arguments: port, TLS or plain, CA file, host, subject; the password on standard
input.
"""

from __future__ import annotations

import sys

import gi

gi.require_version("SpiceClientGLib", "2.0")
from gi.repository import GLib, GObject, SpiceClientGLib  # noqa: E402

DEADLINE = 20_000


def main(port: str, transport: str, ca_file: str, host: str, subject: str, password: str) -> str:
    loop = GLib.MainLoop()
    said: list[str] = []

    def on_event(_channel: object, event: SpiceClientGLib.ChannelEvent) -> None:
        said.append(event.value_nick)
        loop.quit()

    def on_channel(_session: object, channel: SpiceClientGLib.Channel) -> None:
        if isinstance(channel, SpiceClientGLib.MainChannel):
            GObject.Object.connect(channel, "channel-event", on_event)

    session = SpiceClientGLib.Session()
    session.set_property("host", host)
    session.set_property("tls-port" if transport == "tls" else "port", port)
    session.set_property("ca-file", ca_file)
    session.set_property("password", password)
    if subject:
        session.set_property("cert-subject", subject)
        session.set_property("verify", SpiceClientGLib.SessionVerify.SUBJECT)
    else:
        session.set_property("verify", SpiceClientGLib.SessionVerify.HOSTNAME)
    GObject.Object.connect(session, "channel-new", on_channel)
    GLib.timeout_add(DEADLINE, loop.quit)
    session.connect()
    loop.run()
    session.disconnect()
    return said[0] if said else "nothing"


if __name__ == "__main__":
    print(main(*sys.argv[1:6], sys.stdin.read()))
