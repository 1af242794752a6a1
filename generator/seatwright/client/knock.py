"""Whether a host can be reached at all, known within two seconds.

The library waits for a host that is silent as long as its own limit allows, with pauses between its
packets that double (Linux tcp(7)): a host that returned meanwhile would be met seconds later.  So
each try knocks first, and the library connects to what has answered.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from seatwright.client.timing import KNOCK_SECONDS
from seatwright.client.toolkit import Gio, GLib

Answer = Callable[[bool], None]


class Knock:
    """One attempt to open a TCP connection, which is closed at once."""

    def __init__(self, host: str, port: int, answer: Answer) -> None:
        """Begin; ``answer`` is called once, with whether somebody was there, unless cancelled."""
        self._answer = answer
        self._cancellable = Gio.Cancellable()
        client = Gio.SocketClient(timeout=KNOCK_SECONDS, enable_proxy=False)
        client.connect_async(Gio.NetworkAddress.new(host, port), self._cancellable, self._done)

    def cancel(self) -> None:
        """Nobody wants to know any more."""
        self._cancellable.cancel()

    def _done(self, client: Any, result: Any) -> None:
        try:
            client.connect_finish(result).close(None)
        except GLib.Error:
            there = False
        else:
            there = True
        if not self._cancellable.is_cancelled():
            self._answer(there)
