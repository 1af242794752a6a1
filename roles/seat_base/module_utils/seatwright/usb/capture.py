"""A device as it was found: with all its configurations, alternate settings and its own texts.

Made by :mod:`seatwright.usb.lsusb` and :mod:`seatwright.usb.sysfs`; a filter looks at
:meth:`CapturedDevice.device` only.
"""

from __future__ import annotations

from dataclasses import dataclass

from ansible.module_utils.seatwright.usb.device import Device, Interface
from ansible.module_utils.seatwright.usb.portpath import PortPath

LONGEST_TEXT = 126
"""Characters of a string descriptor (USB 2.0, 9.6.7: 255 bytes of UTF-16 with a header of two)."""


class CaptureError(ValueError):
    """Something in a captured file that cannot be read.

    ``line`` and ``column`` count from 1; for a binary file ``line`` is 0 and ``column`` the byte,
    counted from 0.  ``source`` is the line itself, for the caret.
    """

    def __init__(
        self, message: str, *, file: str, line: int, column: int, hint: str = "", source: str = ""
    ) -> None:
        where = f"{file}:{line}:{column}" if line else f"{file}: byte {column}"
        super().__init__(f"{where}: {message}")
        self.message = message
        self.file = file
        self.line = line
        self.column = column
        self.hint = hint
        self.source = source


@dataclass(frozen=True, slots=True)
class Endpoint:
    """An endpoint descriptor (USB 2.0, table 9-13) with its fields as they stand there."""

    address: int
    attributes: int
    max_packet: int
    interval: int

    @property
    def size(self) -> int:
        """Bytes in a frame or microframe: a packet, or up to three of them."""
        return (self.max_packet & 0x7FF) * (1 + (self.max_packet >> 11 & 3))


@dataclass(frozen=True, slots=True)
class Setting:
    """One interface descriptor: of interface ``number``, its alternate setting ``alternate``."""

    number: int
    alternate: int
    interface: Interface
    endpoints: tuple[Endpoint, ...] = ()


@dataclass(frozen=True, slots=True)
class Configuration:
    """A configuration by its ``bConfigurationValue``, with every setting in descriptor order."""

    value: int
    settings: tuple[Setting, ...]

    @property
    def interfaces(self) -> tuple[Interface, ...]:
        """What a filter checks: the first setting of each interface (as libusb lists them)."""
        return tuple(setting.interface for setting in self._first_settings())

    @property
    def alternates(self) -> tuple[Setting, ...]:
        """The settings that a filter does not look at."""
        first = self._first_settings()
        return tuple(setting for setting in self.settings if setting not in first)

    def _first_settings(self) -> tuple[Setting, ...]:
        first: dict[int, Setting] = {}
        for setting in self.settings:
            first.setdefault(setting.number, setting)
        return tuple(first.values())


@dataclass(frozen=True, slots=True)
class CapturedDevice:
    """One device of a capture; ``file`` and ``line`` say where it begins (0: a directory).

    ``active`` is the value of the active configuration, None where none is; ``active_known`` is
    False where the capture does not say (lsusb) and the first was taken, as the kernel mostly
    does.  ``bus``, ``address`` and ``port`` are None where not given.  ``manufacturer`` and
    ``title`` are the device's own words: printable, but nothing to rely on.
    """

    vendor: int
    product: int
    bcd_device: int
    device_class: int
    device_subclass: int
    device_protocol: int
    configurations: tuple[Configuration, ...]
    active: int | None
    active_known: bool
    file: str
    line: int
    bus: int | None = None
    address: int | None = None
    port: PortPath | None = None
    manufacturer: str = ""
    title: str = ""

    def configuration(self) -> Configuration | None:
        """The active configuration."""
        for configuration in self.configurations:
            if configuration.value == self.active:
                return configuration
        return None

    def device(self) -> Device:
        """What a filter sees of it."""
        configuration = self.configuration()
        return Device(
            self.vendor,
            self.product,
            self.bcd_device,
            self.device_class,
            self.device_subclass,
            self.device_protocol,
            interfaces=configuration.interfaces if configuration else (),
            configured=configuration is not None,
        )


def printable(text: str) -> str:
    """A device's own text made fit for a message: no control or direction marks, not too long."""
    shown = "".join(
        letter if letter.isprintable() else "\N{REPLACEMENT CHARACTER}" for letter in text.strip()
    )
    return shown[:LONGEST_TEXT]
