"""The files of descriptors that a site names for its peripherals, read and looked into.

Two forms are taken: what ``lsusb -v`` printed (of one device or of many), and a copy of the binary
file ``descriptors`` of the device below ``/sys/bus/usb/devices``.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from seatwright.findings.finding import SourcePath
from seatwright.findings.problem import Problem
from seatwright.findings.words import printable, shown
from seatwright.site.compose import read_bytes
from seatwright.site.kind import BROKEN
from seatwright.usb.capture import CaptureError, Setting
from seatwright.usb.descriptors import read_descriptors
from seatwright.usb.lsusb import read_lsusb

BINARY = b"\x12\x01"
"""Length and type of a device descriptor, with which the binary form begins."""


class Unfit(Exception):
    """A file that says nothing of the peripheral: what is wrong with it, and a hint."""

    def __init__(self, message: str, hint: str, slug: str = "unreadable-descriptors") -> None:
        super().__init__(message)
        self.message, self.hint, self.slug = message, hint, slug


def read_descriptor_files(values: Mapping[str, Any], folder: Path) -> Iterator[Problem]:
    """Put the settings of each named file in place of its name; yields what is wrong with some."""
    for name, peripheral in values["peripherals"].items():
        if peripheral is BROKEN or not isinstance(peripheral["descriptors"], str):
            continue
        place: SourcePath = ("peripherals", name, "descriptors")
        file = peripheral["descriptors"]
        peripheral["descriptors"] = None
        try:
            peripheral["descriptors"] = settings_of(file, folder, peripheral["id"])
        except Unfit as unfit:
            yield Problem(unfit.slug, place, unfit.message, unfit.hint)


def settings_of(file: str, folder: Path, wanted: Any) -> tuple[Setting, ...]:
    """The settings of the device with the id ``wanted``; raises Unfit."""
    path = folder / file
    real = os.path.realpath(path)
    if os.path.commonpath((os.path.realpath(folder), real)) != os.path.realpath(folder):
        raise Unfit(
            f"{shown(file)} leads out of the site's folder.",
            "Put the file below the folder of the site's file.",
            "outside-folder",
        )
    try:
        data = read_bytes(path)
    except OSError as error:
        raise Unfit(
            f"{shown(file)} cannot be read: {error.strerror or error}.",
            "Names begin at the folder of the site's file.",
        ) from None
    return _device(data, file, wanted)


def _device(data: bytes, file: str, wanted: Any) -> tuple[Setting, ...]:
    try:
        found = _binary(data, file) if data.startswith(BINARY) else _text(data, file)
    except CaptureError as error:
        raise Unfit(f"{printable(str(error))}.", f"To mend it, {error.hint}.") from None
    if wanted is BROKEN:
        return ()
    if wanted not in found:
        there = ", ".join(f"{vendor:04x}:{product:04x}" for vendor, product in found) or "no device"
        raise Unfit(
            f"{shown(file)} describes {there}, not {wanted[0]:04x}:{wanted[1]:04x}.",
            "Name the file of this peripheral, or correct its id.",
        )
    return found[wanted]


Found = dict[tuple[int, int], tuple[Setting, ...]]


def _binary(data: bytes, file: str) -> Found:
    device = read_descriptors(data, file)
    first = device.configurations[0].settings if device.configurations else ()
    return {(device.vendor, device.product): first}


def _text(data: bytes, file: str) -> Found:
    reading = read_lsusb(data.decode("utf-8-sig", errors="replace"), file)
    if not reading.devices:
        raise reading.errors[0]
    found: Found = {}
    for device in reading.devices:
        first = device.configurations[0].settings if device.configurations else ()
        found.setdefault((device.vendor, device.product), first)
    return found
