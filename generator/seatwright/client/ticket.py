"""Connections that a host hands out one at a time: a program of the site's prints each.

The program runs as the session's user before every connect.  What it prints is one JSON object and
is believed no further than its form goes::

    tls_port  TCP port of the guest's display                   5901
    host      address of the host, where it is not the usual    "192.0.2.10"
    subject   subject its certificate must have                 "CN=quay,O=Fennmoor"
    password  one-time password of the display                  "..."
    proxy     way to the host                                   "http://192.0.2.1:3128"

What it writes to standard error goes to the journal of the session's unit.
"""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from pathlib import Path

from seatwright.client.config import ADDRESS, SUBJECT, ConfigError, Fields, no_doubles

MOST_BYTES = 65_536
MOST_PASSWORD = 59
"""SPICE's own limit."""
PROXY = re.compile(r"https?://([A-Za-z0-9][A-Za-z0-9.-]{0,252}):([0-9]{1,5})")
"""No IPv6 address: spice-gtk loses its brackets, and then cannot read it."""


class TicketError(Exception):
    """There is no usable connection; the text is one line without anything secret."""


@dataclass(frozen=True, slots=True)
class Ticket:
    """One connection; None where the configuration's own value holds."""

    tls_port: int
    host: str | None
    subject: str | None
    password: str | None
    proxy: str | None


def read_ticket(text: bytes) -> Ticket:
    """What a program printed; raises :class:`TicketError` for anything else than a connection."""
    if len(text) > MOST_BYTES:
        raise TicketError(f"it printed more than {MOST_BYTES} bytes")
    try:
        values = json.loads(text, object_pairs_hook=no_doubles)
    except (ValueError, RecursionError):
        raise TicketError("what it printed is not JSON") from None
    try:
        return _ticket(Fields(Path("ticket"), "", values, quiet=True))
    except ConfigError as error:
        raise TicketError(str(error)) from None


def _ticket(fields: Fields) -> Ticket:
    password = fields.text_or_none("password")
    if password is not None and len(password.encode()) > MOST_PASSWORD:
        raise fields.error("password", f"is longer than {MOST_PASSWORD} bytes")
    proxy = fields.text_or_none("proxy", PROXY)
    if proxy is not None and not 1 <= proxy_address(proxy)[1] <= 65535:
        raise fields.error("proxy", "its port must be from 1 to 65535")
    ticket = Ticket(
        tls_port=fields.number("tls_port", 1, 65535),
        host=fields.text_or_none("host", ADDRESS),
        subject=fields.text_or_none("subject", SUBJECT),
        password=password,
        proxy=proxy,
    )
    fields.end()
    return ticket


def proxy_address(proxy: str) -> tuple[str, int]:
    """Host and port of a ticket's proxy."""
    parts = PROXY.fullmatch(proxy)
    assert parts is not None, "read_ticket has seen to its form"
    return parts[1], int(parts[2])
