"""Names of vendors and products from the system's usb.ids, for the terminal only.

What is rendered must be the same on every machine, and this file is not: nothing that makes a
plan or renders one may import this module (tests/unit/test_usb_ids.py holds that).

Source: the USB ID repository's file (Debian package usb.ids); its syntax is in its own header.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path

SYSTEM_FILES = (
    Path("/usr/share/misc/usb.ids"),
    Path("/usr/share/hwdata/usb.ids"),
    Path("/var/lib/usbutils/usb.ids"),
)
"""Where Debian and other systems keep it."""

_LARGEST = 16 * 2**20  # twenty times today's file: what is larger is something else
_VENDOR = re.compile(r"([0-9a-fA-F]{4})\s+(.*)")
_PRODUCT = re.compile(r"\t([0-9a-fA-F]{4})\s+(.*)")
_CLASS = re.compile(r"C ([0-9a-fA-F]{2})\s+(.*)")


@dataclass(frozen=True, slots=True)
class UsbIds:
    """Names by vendor id, by (vendor id, product id) and by class code."""

    vendors: Mapping[int, str]
    products: Mapping[tuple[int, int], str]
    classes: Mapping[int, str]

    def name(self, vendor: int, product: int) -> str:
        """``vendor product`` as far as known, else an empty string."""
        names = (self.vendors.get(vendor, ""), self.products.get((vendor, product), ""))
        return " ".join(name for name in names if name)


def system_ids() -> UsbIds | None:
    """The names this machine has, None where it has none; read once in a process."""
    return _read_once(SYSTEM_FILES)


@cache
def _read_once(paths: tuple[Path, ...]) -> UsbIds | None:
    for path in paths:
        try:
            if path.stat().st_size <= _LARGEST:
                return read_usb_ids(path)
        except OSError:
            continue  # names are a convenience: without a readable file there are none
    return None


def read_usb_ids(path: Path) -> UsbIds:
    """The names in a file. Lines of other forms are passed over. OSError where unreadable."""
    return _parse(_decode(line) for line in path.read_bytes().splitlines())


def _decode(line: bytes) -> str:
    """UTF-8, or Latin-1 as in old copies; what cannot be printed is left out."""
    try:
        text = line.decode()
    except UnicodeDecodeError:
        text = line.decode("latin-1")
    return "".join(letter for letter in text if letter.isprintable() or letter == "\t")


def _parse(lines: Iterable[str]) -> UsbIds:
    vendors: dict[int, str] = {}
    products: dict[tuple[int, int], str] = {}
    classes: dict[int, str] = {}
    vendor: int | None = None
    for line in lines:
        if not line or line.startswith("#"):
            continue
        if product_line := _PRODUCT.fullmatch(line):
            if vendor is not None:
                products[vendor, int(product_line[1], 16)] = product_line[2].strip()
        elif vendor_line := _VENDOR.fullmatch(line):
            vendor = int(vendor_line[1], 16)
            vendors[vendor] = vendor_line[2].strip()
        elif not line.startswith("\t"):
            vendor = None  # another section (classes, terminal types, languages)
            if class_line := _CLASS.fullmatch(line):
                classes[int(class_line[1], 16)] = class_line[2].strip()
    return UsbIds(vendors, products, classes)
