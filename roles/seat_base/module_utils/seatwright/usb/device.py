"""A USB device as a filter sees it."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Interface:
    """Class, subclass and protocol of one interface (USB 2.0, table 9-12), each 0 to 255.

    Subclass and protocol are None where only the class is known (a peripheral described by
    class names); a decision then takes them as not being 0/0.
    """

    usb_class: int
    subclass: int | None = None
    protocol: int | None = None


@dataclass(frozen=True, slots=True)
class Device:
    """What usbredir's filter looks at: ids 0 to 0xFFFF, bcdDevice raw BCD, class codes 0 to 255.

    ``configured`` is False where no configuration is active (for instance while the kernel has
    not authorized the device); then there are no interfaces either.
    """

    vendor: int
    product: int
    bcd_device: int = 0
    device_class: int = 0
    device_subclass: int = 0
    device_protocol: int = 0
    interfaces: tuple[Interface, ...] = ()
    configured: bool = True
