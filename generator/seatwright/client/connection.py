"""The connection to the guest: opened, watched, opened again.

Only the main channel is watched for failures; each ends the whole session, and a new one is begun
after a wait.  The library keeps the same session object usable, devices included.
"""

from __future__ import annotations

import os
import socket
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from seatwright.client.clock import Clock
from seatwright.client.config import SessionConfig
from seatwright.client.credentials import CredentialError, read_password
from seatwright.client.knock import Knock
from seatwright.client.ticket import Ticket, TicketError, proxy_address
from seatwright.client.ticketrun import ask_ticket
from seatwright.client.timing import BackOff
from seatwright.client.toolkit import Gio, GLib, Spice, on

PATIENCE = 20
"""Seconds in which a host that accepted the connection has to answer."""
CLOCK_SECONDS = 2
"""How often to ask for the time until it is there."""
KEEPALIVE = (
    (socket.TCP_KEEPIDLE, 10),
    (socket.TCP_KEEPINTVL, 5),
    (socket.TCP_KEEPCNT, 3),
    (socket.TCP_USER_TIMEOUT, 25_000),
)
"""A pulled cable is noticed within about 25 s (Linux tcp(7))."""

HOPELESS = frozenset({"password", "no-password-file", "certificate"})
"""Failures that trying again soon cannot cure."""


@dataclass(frozen=True, slots=True)
class Listener:
    """Who is told: ``failed`` gets the slug of a message and the seconds until the next try (0:
    it depends on others), ``trouble`` a slug and words for the operator alone."""

    connecting: Callable[[], None]
    opened: Callable[[], None]
    failed: Callable[[str, float], None]
    trouble: Callable[[str, str], None]
    channel: Callable[[Any, bool], None]


class Connection:
    """One guest, for as long as the seat runs."""

    def __init__(self, config: SessionConfig, back_off: BackOff, listener: Listener) -> None:
        self._config = config
        self._back_off = back_off
        self._listener = listener
        self._main: Any = None
        self._timer = 0
        self._knock: Knock | None = None
        self._clock = Clock(config.wait_for_time)
        self._closed = False
        # A proxy comes with a ticket; the library would take one from here where that has none.
        os.environ.pop("SPICE_PROXY", None)
        self.session = Spice.Session.new()
        self._audio: Any = None
        on(self.session, "channel-new", self._channel_new)
        on(self.session, "channel-destroy", self._channel_destroy)

    def open(self) -> bool:
        """Begin a try; returns False so that a timer calls it once."""
        self._timer = 0
        self._clock.ask(self._timed)
        return False

    def begin_sound(self) -> None:
        """Sound both ways, where the seat has the sound plugins; without them there is none.

        Not before there is a picture: finding the plugins takes seconds on a small board.
        """
        if self._audio is None:
            self._audio = Spice.Audio.get(self.session, None)

    def close(self) -> None:
        """End it for good."""
        self._closed = True
        self._stop_timer()
        self._main = None
        if self._knock is not None:
            self._knock.cancel()
        self.session.disconnect()

    def _timed(self, right: bool) -> None:
        """The clock can be believed, or not yet."""
        if self._closed:
            return
        if not right:
            self._listener.failed("no-time", 0)
            self._timer = GLib.timeout_add_seconds(CLOCK_SECONDS, self.open)
            return
        self._listener.connecting()
        if self._config.ticket_command:
            ask_ticket(self._config.ticket_command, self._ticketed)
            return
        try:
            password = read_password(self._config.password_credential)
        except CredentialError:
            self._fail("no-password-file")
            return
        self._reach(Ticket(self._config.tls_port, None, None, password, None))

    def _ticketed(self, answer: Ticket | TicketError) -> None:
        if self._closed:
            return
        if isinstance(answer, TicketError):
            self._listener.trouble("ticket", str(answer))
            self._fail("no-ticket")
            return
        self._reach(answer)

    def _reach(self, ticket: Ticket) -> None:
        """See whether somebody is there before the library is told to connect."""

        def answered(there: bool) -> None:
            if there:
                self._connect(ticket)
            else:
                self._fail("host-away")

        self._knock = Knock(*_first_hop(self._config, ticket), answered)

    def _connect(self, ticket: Ticket) -> None:
        _tell_where(self.session, self._config, ticket)
        self._timer = GLib.timeout_add_seconds(PATIENCE, self._no_answer)
        if not self.session.connect():
            self._fail("host-away")

    def _channel_new(self, _: Any, channel: Any) -> None:
        if isinstance(channel, Spice.MainChannel):
            self._main = channel
            on(channel, "channel-event", self._main_event)
        self._listener.channel(channel, True)

    def _channel_destroy(self, _: Any, channel: Any) -> None:
        self._listener.channel(channel, False)

    def _main_event(self, channel: Any, event: Any) -> None:
        if channel is not self._main:
            return
        if event == Spice.ChannelEvent.OPENED:
            self._stop_timer()
            self._back_off.reset()
            _keep_alive(channel)
            self._listener.opened()
        else:
            self._fail(_reason(event))

    def _no_answer(self) -> bool:
        self._timer = 0
        self._fail("host-away")
        return False

    def _fail(self, slug: str) -> None:
        """Give this try up and arrange the next one.

        The library is in the middle of telling us: the session is ended from the main loop.
        """
        self._stop_timer()
        self._main = None
        wait = self._back_off.next(hopeless=slug in HOPELESS)
        self._listener.failed(slug, wait)
        GLib.idle_add(self._disconnect)
        self._timer = GLib.timeout_add(int(wait * 1000), self.open)

    def _disconnect(self) -> bool:
        if self._main is None:
            self.session.disconnect()
        return False

    def _stop_timer(self) -> None:
        if self._timer:
            GLib.source_remove(self._timer)
            self._timer = 0


def _first_hop(config: SessionConfig, ticket: Ticket) -> tuple[str, int]:
    """Whom the seat itself talks to: the proxy, or the host."""
    if ticket.proxy is None:
        return ticket.host or config.host, ticket.tls_port
    return proxy_address(ticket.proxy)


def _tell_where(session: Any, config: SessionConfig, ticket: Ticket) -> None:
    """TLS only: there is no plain port, and every channel is told to be secure."""
    session.set_property("host", ticket.host or config.host)
    session.set_property("tls-port", str(ticket.tls_port))
    session.set_property("password", ticket.password)
    session.set_property("proxy", ticket.proxy)
    session.set_property("ca-file", str(config.ca_file))
    session.set_property("secure-channels", ["all"])
    session.set_property("enable-smartcard", False)
    subject = ticket.subject or config.subject
    session.set_property("cert-subject", subject)
    if subject is None:
        session.set_property("verify", Spice.SessionVerify.HOSTNAME)
    else:
        session.set_property("verify", Spice.SessionVerify.SUBJECT)


def _reason(event: Any) -> str:
    events = Spice.ChannelEvent
    return {
        int(events.ERROR_AUTH): "password",
        int(events.ERROR_TLS): "certificate",
        int(events.CLOSED): "guest-closed",
    }.get(int(event), "host-away")


def _keep_alive(channel: Any) -> None:
    stream = channel.get_property("socket")
    if not isinstance(stream, Gio.Socket):
        return
    stream.set_keepalive(True)
    for option, value in KEEPALIVE:
        stream.set_option(socket.IPPROTO_TCP, option, value)
