"""What a site's program prints is believed no further than its form."""

from __future__ import annotations

import json

import pytest

from seatwright.client.ticket import Ticket, TicketError, proxy_address, read_ticket


def text(**values: object) -> bytes:
    return json.dumps(values).encode()


def test_a_ticket_says_what_differs() -> None:
    assert read_ticket(text(tls_port=5901)) == Ticket(5901, None, None, None, None)
    full = read_ticket(
        text(
            tls_port=5902,
            host="192.0.2.7",
            subject="O=Fennmoor,CN=quay",
            password="once",
            proxy="http://192.0.2.1:3128",
        )
    )
    assert full == Ticket(5902, "192.0.2.7", "O=Fennmoor,CN=quay", "once", "http://192.0.2.1:3128")


def test_where_a_proxy_is() -> None:
    assert proxy_address("http://192.0.2.1:3128") == ("192.0.2.1", 3128)
    assert proxy_address("https://gate.fennmoor.example:80") == ("gate.fennmoor.example", 80)


@pytest.mark.parametrize(
    ("printed", "reason"),
    [
        (b"", "is not JSON"),
        (b"\xff\xfe", "is not JSON"),
        (b"[" * 20_000, "is not JSON"),
        (b'{"tls_port": 1, "tls_port": 2}', "is not JSON"),
        (b" " * 70_000, "more than 65536 bytes"),
        (b"[]", "must be an object"),
        (b"{}", "tls_port: is missing"),
        (text(tls_port=0), "from 1 to 65535"),
        (text(tls_port="5901"), "must be a whole number"),
        (text(tls_port=5901, port=5900), "port: is not a key"),
        (text(tls_port=5901, host="a b"), "host: has not the form"),
        (text(tls_port=5901, host="-x"), "host: has not the form"),
        (text(tls_port=5901, subject="quay"), "subject: has not the form"),
        (text(tls_port=5901, proxy="file:///etc/passwd"), "proxy: has not the form"),
        (text(tls_port=5901, proxy="http://user:pw@a:1"), "proxy: has not the form"),
        (text(tls_port=5901, proxy="http://[2001:db8::1]:80"), "proxy: has not the form"),
        (text(tls_port=5901, proxy="http://192.0.2.1:65536"), "port must be from 1 to 65535"),
        (text(tls_port=5901, password="x" * 60), "longer than 59 bytes"),
        (text(tls_port=5901, password="a\nb"), "password: must be printable text"),
    ],
)
def test_anything_else_is_no_ticket(printed: bytes, reason: str) -> None:
    with pytest.raises(TicketError, match=reason):
        read_ticket(printed)


def test_no_error_repeats_what_may_be_secret() -> None:
    for wrong in (text(tls_port=1, password=["hunter-two"]), text(tls_port="hunter-two")):
        with pytest.raises(TicketError) as caught:
            read_ticket(wrong)
        assert "hunter" not in str(caught.value)
