"""What ``lsusb -v`` prints, read back into devices.

Source: the format of usbutils (014 run under umockdev in tests/oracle; the lines read here have
looked the same since 0.7x and still do in newer ones).  Headings open a section, the lines below
are ``key value name``; indentation, names and unknown lines are not looked at, so pasted and
re-indented text is read too.  A device chooses its own strings, so a text in which a key comes
twice, or whose parts contradict each other, is refused: it may be a string with line breaks.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path

from seatwright.usb.capture import (
    CapturedDevice,
    CaptureError,
    Configuration,
    Endpoint,
    Setting,
    printable,
)
from seatwright.usb.device import Interface

LARGEST = 16 * 2**20
"""Bytes of a text that is read; a client with 100 devices makes about 1 MB."""

_HEADER = re.compile(
    r"(?:Bus ([0-9]{1,3}) Device ([0-9]{1,3})|Device): ID ([0-9A-Fa-f]{4}):([0-9A-Fa-f]{4})\b.*"
)
_HEADING = re.compile(r"[A-Z][^:]*:")
_PAIR = re.compile(r"[> \t]*([a-z]\w*)[ \t]*(\S*)[ \t]*([^\r]*)")
_KEYS = {
    "Device Descriptor:": (
        "bDeviceClass", "bDeviceSubClass", "bDeviceProtocol", "idVendor", "idProduct",
        "bcdDevice", "iManufacturer", "iProduct", "bNumConfigurations",
    ),
    "Configuration Descriptor:": ("bNumInterfaces", "bConfigurationValue"),
    "Interface Descriptor:": (
        "bInterfaceNumber", "bAlternateSetting", "bInterfaceClass", "bInterfaceSubClass",
        "bInterfaceProtocol",
    ),
    "Endpoint Descriptor:": ("bEndpointAddress", "bmAttributes", "wMaxPacketSize", "bInterval"),
}  # fmt: skip
_SHOWN = 200
_HINT_AGAIN = "make the text again, as root on the client: lsusb -v > devices.txt"


@dataclass(frozen=True, slots=True)
class LsusbReading:
    """The devices that could be read, and what is wrong with each that could not."""

    devices: tuple[CapturedDevice, ...]
    errors: tuple[CaptureError, ...]


@dataclass(frozen=True, slots=True)
class _Value:
    """What stands behind a key: its first word, the rest, and where the word begins."""

    text: str
    rest: str
    line: int
    column: int


@dataclass(frozen=True, slots=True)
class _Section:
    """A heading and the wanted keys below it, all values of each."""

    heading: str
    line: int
    values: dict[str, list[_Value]] = field(default_factory=dict)


def load_lsusb(path: Path) -> LsusbReading:
    """The devices of a file. OSError where it is unreadable."""
    with path.open("rb") as stream:
        data = stream.read(LARGEST + 1)
    if problem := _no_text(data):
        return LsusbReading(
            (), (CaptureError(problem, file=str(path), line=1, column=1, hint=_HINT_AGAIN),)
        )
    return read_lsusb(data.decode("utf-8-sig", errors="replace"), str(path))


def _no_text(data: bytes) -> str:
    if len(data) > LARGEST:
        return f"the file is larger than {LARGEST // 2**20} MiB, which lsusb does not print"
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return "the file is UTF-16, not plain text"
    if b"\0" in data:
        return "the file is binary"
    return ""


def read_lsusb(text: str, file: str) -> LsusbReading:
    """The devices of a text; ``file`` is the name for messages."""
    lines = text.split("\n")
    blocks = list(_blocks(_sections(lines)))
    if not blocks:
        error = CaptureError(
            "no device stands here: neither a line 'Bus … Device …: ID …' nor a device descriptor",
            file=file, line=1, column=1, hint=_HINT_AGAIN, source=lines[0][:_SHOWN],
        )  # fmt: skip
        return LsusbReading((), (error,))
    devices, errors = [], []
    for block in blocks:
        try:
            devices.append(_Block(file, lines, block).device())
        except CaptureError as error:
            errors.append(error)
    return LsusbReading(tuple(devices), tuple(errors))


def _sections(lines: Sequence[str]) -> Iterator[_Section]:
    """Headings with their keys; a header line is a section of its own."""
    section: _Section | None = None
    for number, raw in enumerate(lines, 1):
        line = raw.strip("> \t\r")
        pair = _PAIR.match(raw)
        if _HEADER.fullmatch(line) or _HEADING.fullmatch(line):
            if section:
                yield section
            section = _Section(line, number)
        elif section and pair and pair[1] in _KEYS.get(section.heading, ()):
            value = _Value(pair[2], pair[3], number, pair.start(2) + 1)
            section.values.setdefault(pair[1], []).append(value)
    if section:
        yield section


def _blocks(sections: Iterator[_Section]) -> Iterator[list[_Section]]:
    """The sections of each device: from a header, or from a device descriptor without one."""
    block: list[_Section] = []
    for section in sections:
        is_header = _HEADER.fullmatch(section.heading) is not None
        is_device = section.heading == "Device Descriptor:"
        begun = any(one.heading == "Device Descriptor:" for one in block)
        if is_header or (is_device and (begun or not block)):
            if block:
                yield block
            block = [section]
        elif block:
            block.append(section)
    if block:
        yield block


@dataclass(frozen=True, slots=True)
class _Block:
    """The text of one device."""

    file: str
    lines: Sequence[str]
    sections: Sequence[_Section]

    def device(self) -> CapturedDevice:
        first = self.sections[0]
        header = _HEADER.fullmatch(first.heading)
        found = [one for one in self.sections if one.heading == "Device Descriptor:"]
        if not found:
            raise self._error(
                first.line,
                1,
                "no device descriptor follows: the text is cut off, or lsusb ran without -v",
            )
        device = found[0]
        vendor = self._hexadecimal(device, "idVendor")
        product = self._hexadecimal(device, "idProduct")
        if header and (vendor, product) != (int(header[3], 16), int(header[4], 16)):
            same_vendor = vendor == int(header[3], 16)
            value = device.values["idProduct" if same_vendor else "idVendor"][0]
            raise self._error(
                value.line, value.column,
                f"the id {vendor:04x}:{product:04x} is not the one in line {first.line}",
            )  # fmt: skip
        configurations = self._configurations(device)
        return CapturedDevice(
            vendor=vendor,
            product=product,
            bcd_device=self._bcd(device, "bcdDevice"),
            device_class=self._octet(device, "bDeviceClass"),
            device_subclass=self._octet(device, "bDeviceSubClass"),
            device_protocol=self._octet(device, "bDeviceProtocol"),
            configurations=configurations,
            active=configurations[0].value if configurations else None,
            active_known=False,
            file=self.file,
            line=first.line,
            bus=int(header[1]) if header and header[1] else None,
            address=int(header[2]) if header and header[2] else None,
            manufacturer=self._own_words(device, "iManufacturer"),
            title=self._own_words(device, "iProduct"),
        )

    def _configurations(self, device: _Section) -> tuple[Configuration, ...]:
        """Every announced configuration with every announced interface: fewer means cut off."""
        starts = [
            index
            for index, one in enumerate(self.sections)
            if one.heading == "Configuration Descriptor:"
        ]
        self._announced(device, "bNumConfigurations", len(starts), "configurations")
        edges = [*starts, len(self.sections)]
        return tuple(
            self._configuration(self.sections[start], self.sections[start + 1 : end])
            for start, end in pairwise(edges)
        )

    def _configuration(self, head: _Section, below: Sequence[_Section]) -> Configuration:
        starts = [at for at, one in enumerate(below) if one.heading == "Interface Descriptor:"]
        edges = [*starts, len(below)]
        settings = tuple(
            self._setting(below[start], below[start + 1 : end]) for start, end in pairwise(edges)
        )
        numbers = {setting.number for setting in settings}
        self._announced(head, "bNumInterfaces", len(numbers), "interfaces")
        return Configuration(self._octet(head, "bConfigurationValue"), settings)

    def _setting(self, section: _Section, below: Sequence[_Section]) -> Setting:
        return Setting(
            self._octet(section, "bInterfaceNumber"),
            self._octet(section, "bAlternateSetting"),
            Interface(
                self._octet(section, "bInterfaceClass"),
                self._octet(section, "bInterfaceSubClass"),
                self._octet(section, "bInterfaceProtocol"),
            ),
            tuple(self._endpoint(one) for one in below if one.heading == "Endpoint Descriptor:"),
        )

    def _endpoint(self, section: _Section) -> Endpoint:
        return Endpoint(
            self._matched(section, "bEndpointAddress", "0x[0-9a-fA-F]{2}", 16, 0xFF, "0x81"),
            self._octet(section, "bmAttributes"),
            self._hexadecimal(section, "wMaxPacketSize"),
            self._octet(section, "bInterval"),
        )

    def _announced(self, section: _Section, key: str, found: int, what: str) -> None:
        announced = self._octet(section, key)
        if announced != found:
            value = section.values[key][0]
            raise self._error(
                value.line,
                value.column,
                f"{announced} {what} are announced, but {found} can be read",
            )

    def _value(self, section: _Section, key: str) -> _Value:
        values = section.values.get(key, [])
        if not values:
            raise self._error(section.line, 1, f"{key} is missing below {section.heading!r}")
        if len(values) > 1:
            again = values[1]
            raise self._error(
                again.line, again.column,
                f"{key} stands here a second time (first in line {values[0].line})",
                "a string of the device may hold line breaks: look at the device by hand",
            )  # fmt: skip
        return values[0]

    def _octet(self, section: _Section, key: str) -> int:
        return self._matched(section, key, r"[0-9]{1,3}", 10, 0xFF, "a decimal number up to 255")

    def _hexadecimal(self, section: _Section, key: str) -> int:
        form = r"0x[0-9a-fA-F]{4}"
        return self._matched(section, key, form, 16, 0xFFFF, "0x and four hexadecimal digits")

    def _bcd(self, section: _Section, key: str) -> int:
        """``1.10`` is 0x0110; lsusb prints the two bytes in hexadecimal."""
        form = r"[0-9a-fA-F]{1,2}\.[0-9a-fA-F]{2}"
        return self._matched(section, key, form, 16, 0xFFFF, "a version like 1.10")

    def _matched(
        self, section: _Section, key: str, form: str, base: int, highest: int, wanted: str
    ) -> int:
        value = self._value(section, key)
        number = int(value.text.replace(".", ""), base) if re.fullmatch(form, value.text) else -1
        if not 0 <= number <= highest:
            shown = ascii(value.text[:40]) if value.text else "nothing"
            raise self._error(value.line, value.column, f"{key} is {shown}, not {wanted}")
        return number

    def _own_words(self, section: _Section, key: str) -> str:
        """The string behind an index; empty where lsusb could not open the device."""
        return printable(self._value(section, key).rest) if key in section.values else ""

    def _error(self, line: int, column: int, message: str, hint: str = _HINT_AGAIN) -> CaptureError:
        return CaptureError(
            message,
            file=self.file,
            line=line,
            column=column,
            hint=hint,
            source=self.lines[line - 1][:_SHOWN],
        )
