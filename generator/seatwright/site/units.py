"""Values with a form of their own (rates, ids, port paths, …): from their text to what they mean.

Each function takes the text as it stands in the file and raises ``Misread`` with a message and a
hint for the person who wrote it.
"""

from __future__ import annotations

import ipaddress
import re
from fractions import Fraction

from seatwright.findings.words import shown
from seatwright.site.kind import Misread
from seatwright.usb.portpath import PortPathError, parse_port_path

UNITS = {"b": 1, "B": 8}
THOUSANDS = {"": 1, "k": 10**3, "M": 10**6, "G": 10**9}
SECONDS = {"s": 1, "min": 60, "h": 3600}
MICROSECONDS = {"us": 1, "ms": 1000, "s": 1_000_000}


def rate(text: str) -> int:
    """``1 Gb/s`` or ``38 MB/s`` in bits per second."""
    found = re.fullmatch(r"([0-9]{1,6}(?:\.[0-9]{1,6})?) ?([kMG]?)([bB])/s", text)
    if not found:
        raise Misread(
            f"{shown(text)} is not a rate.",
            "Write a number and a unit, as in "
            '"480 Mb/s" (bits) or "38 MB/s" (bytes); units are b/s, kb/s, Mb/s, Gb/s '
            "and B/s, kB/s, MB/s, GB/s.",
        )
    bits = Fraction(found[1]) * THOUSANDS[found[2]] * UNITS[found[3]]
    if bits < 1:
        raise Misread(f"{shown(text)} is less than one bit in a second.", "Write a larger rate.")
    return int(bits)


def duration(text: str) -> int:
    """``10 min`` in seconds."""
    found = re.fullmatch("([0-9]{1,6}) ?(s|min|h)", text)
    if not found or not int(found[1]):
        raise Misread(
            f"{shown(text)} is not a duration.",
            'Write a whole number and s, min or h, as in "10 min".',
        )
    return int(found[1]) * SECONDS[found[2]]


def round_trip(text: str) -> int:
    """``0.5 ms`` in microseconds, at most ten seconds."""
    found = re.fullmatch(r"([0-9]{1,6}(?:\.[0-9]{1,3})?) ?(us|ms|s)", text)
    length = Fraction(found[1]) * MICROSECONDS[found[2]] if found else Fraction(0)
    if not 1 <= length <= 10_000_000:
        raise Misread(
            f"{shown(text)} is not the time of a round trip.",
            'Write a number and us, ms or s, as in "0.5 ms"; ten seconds at most.',
        )
    return int(length)


def size(text: str) -> int:
    """``64 kB`` in bytes (thousands of them), at most one gigabyte."""
    found = re.fullmatch(r"([0-9]{1,6}(?:\.[0-9]{1,3})?) ?([kMG]?)B", text)
    count = Fraction(found[1]) * THOUSANDS[found[2]] if found else Fraction(0)
    if not 1 <= count <= 10**9:
        raise Misread(
            f"{shown(text)} is not an amount of data.",
            'Write a number and B, kB or MB, as in "64 kB"; 1 GB at most.',
        )
    return int(count)


def picture(text: str) -> tuple[int, int]:
    """``640x480`` as width and height."""
    found = re.fullmatch("([1-9][0-9]{0,4})x([1-9][0-9]{0,4})", text)
    if not found:
        raise Misread(
            f"{shown(text)} is not the size of a picture.",
            'Write width and height in pixels with an x between them, as in "640x480".',
        )
    return int(found[1]), int(found[2])


def percent(text: str) -> int:
    """``25%`` as 25."""
    found = re.fullmatch("([0-9]{1,3}) ?%", text)
    if not found or not 1 <= int(found[1]) <= 100:
        raise Misread(f"{shown(text)} is not a share.", 'Write it from 1% to 100%, as in "25%".')
    return int(found[1])


def usb_id(text: str) -> tuple[int, int]:
    """``1209:0003`` as vendor and product."""
    found = re.fullmatch("([0-9a-fA-F]{4}):([0-9a-fA-F]{4})", text)
    if not found:
        raise Misread(
            f"{shown(text)} is not the id of a USB device.",
            'Write vendor and product as four hexadecimal digits each, in quotes: "1209:0003".',
        )
    return int(found[1], 16), int(found[2], 16)


def usb_id_or_vendor(text: str) -> tuple[int, int | None]:
    """``1209:0003`` as vendor and product, ``1209:*`` as a vendor and None."""
    if re.fullmatch(r"[0-9a-fA-F]{4}:\*", text):
        return int(text[:4], 16), None
    return usb_id(text)


def bcd(text: str) -> int:
    """bcdDevice as raw BCD (USB 2.0, table 9-8): ``1.10`` is 0x0110."""
    found = re.fullmatch(r"([0-9]{1,2})\.([0-9]{2})", text)
    if found:
        return int(found[1] + found[2], 16)
    if re.fullmatch("0x[0-9a-fA-F]{4}", text):
        return int(text, 16)
    raise Misread(
        f"{shown(text)} is not a bcdDevice.",
        "Write one or two digits, a point and two "
        'digits, in quotes: "1.10" (the raw form "0x0110" is taken too).',
    )


def port_path(text: str) -> str:
    """A port path as the kernel writes it; what is possible there says usb.portpath."""
    try:
        return str(parse_port_path(text))
    except PortPathError as error:
        raise Misread(
            f"{error.message[0].upper()}{error.message[1:]}.",
            f"{error.hint[0].upper()}{error.hint[1:]}.",
        ) from None


def port_range(text: str) -> tuple[int, int]:
    """``5901-5999`` as first and last TCP port."""
    found = re.fullmatch("([1-9][0-9]{0,4}) ?- ?([1-9][0-9]{0,4})", text)
    if not found:
        raise Misread(
            f"{shown(text)} is not a range of ports.",
            'Write the first and the last with a hyphen, as in "5901-5999".',
        )
    first, last = int(found[1]), int(found[2])
    if first > last or first < 1024 or last > 65535:
        raise Misread(
            f"{shown(text)} is not a range of TCP ports from 1024 to 65535.",
            "The smaller number stands first; ports below 1024 belong to the system.",
        )
    return first, last


def ip_address(text: str) -> str:
    """An address to listen on, in the form its library prints."""
    try:
        return str(ipaddress.ip_address(text))
    except ValueError:
        raise Misread(
            f"{shown(text)} is not an IP address.",
            'Write an address of the machine, or "0.0.0.0" or "::" for all of them.',
        ) from None
