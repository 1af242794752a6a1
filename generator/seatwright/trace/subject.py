"""The device that is traced: a peripheral, an id with what is known of it, or a captured one."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from seatwright.findings.words import listed, printable
from seatwright.plan import Plan, PlannedPeripheral
from seatwright.policy.words import id_words
from seatwright.usb.capture import CapturedDevice
from seatwright.usb.classes import class_name
from seatwright.usb.device import Device, Interface


@dataclass(frozen=True, slots=True)
class Subject:
    """A device as far as it is known.

    ``bcd_device`` None: any version.  ``interfaces`` None: not known (an id alone, a peripheral
    described without).  ``further`` are interfaces that only udev looks at: of other alternate
    settings and configurations.  ``origin`` is the peripheral's path in the description, empty
    where the device is not one; ``source`` the file it was captured in.
    """

    words: str
    vendor: int
    product: int
    bcd_device: int | None
    device_class: int = 0
    interfaces: tuple[Interface, ...] | None = None
    further: tuple[Interface, ...] = ()
    configured: bool = True
    peripheral: str | None = None
    origin: str = ""
    source: str = ""
    port: str | None = None
    own_words: str = ""
    notes: tuple[str, ...] = ()

    def form(self, bcd_device: int, usb_class: int | None) -> Device:
        """The device in one form; ``usb_class`` is that of its interface where it has none known.

        An interface made up has subclass and protocol 1, so that nothing skips it.
        """
        interfaces = self.interfaces
        if interfaces is None:
            interfaces = () if usb_class is None else (Interface(usb_class, 1, 1),)
        return Device(
            vendor=self.vendor,
            product=self.product,
            bcd_device=bcd_device,
            device_class=self.device_class,
            interfaces=interfaces,
            configured=self.configured,
        )


def of_peripheral(peripheral: PlannedPeripheral) -> Subject:
    """A device that the description names."""
    return Subject(
        words=name_words(peripheral),
        vendor=peripheral.vendor,
        product=peripheral.product,
        bcd_device=peripheral.bcd_device,
        device_class=peripheral.device_class,
        interfaces=_declared(peripheral) or None,
        peripheral=peripheral.name,
        origin=peripheral.origin,
    )


def of_id(
    plan: Plan,
    vendor: int,
    product: int,
    bcd_device: int | None,
    device_class: int,
    interfaces: tuple[Interface, ...] | None,
) -> Subject:
    """A device by its id, with what is known of it; ``interfaces`` None where that is nothing."""
    known = _known(plan, vendor, product, bcd_device)
    notes: tuple[str, ...] = ()
    if known is not None:
        notes = (f"{vendor:04x}:{product:04x} is the id of {known.name}, which the site names.",)
    return Subject(
        words=f"the device {id_words(vendor, product)}",
        vendor=vendor,
        product=product,
        bcd_device=bcd_device,
        device_class=device_class,
        interfaces=interfaces,
        notes=notes,
    )


def of_capture(plan: Plan, found: CapturedDevice) -> Subject:
    """A captured device, under the name that the site has for its id."""
    device = found.device()
    configuration = found.configuration()
    alternates = configuration.alternates if configuration else ()
    others = [one for one in found.configurations if one is not configuration]
    further = (*alternates, *(setting for one in others for setting in one.settings))
    known = _known(plan, found.vendor, found.product, found.bcd_device)
    return Subject(
        words=name_words(known) if known else f"the device {id_words(found.vendor, found.product)}",
        vendor=found.vendor,
        product=found.product,
        bcd_device=found.bcd_device,
        device_class=found.device_class,
        interfaces=device.interfaces,
        further=tuple(setting.interface for setting in further),
        configured=device.configured,
        peripheral=known.name if known else None,
        origin=known.origin if known else "",
        source=f"{found.file}:{found.line}" if found.line else found.file,
        port=str(found.port) if found.port else None,
        own_words=" ".join(part for part in (found.manufacturer, found.title) if part),
        notes=tuple(_capture_notes(found, device, known)),
    )


def name_words(peripheral: PlannedPeripheral) -> str:
    """``the card reader``: the title, or the name where there is none."""
    if peripheral.title in ("", peripheral.name):
        return f"the {peripheral.name.replace('-', ' ')}"
    return f"the {printable(peripheral.title)}"


def _capture_notes(
    found: CapturedDevice, device: Device, known: PlannedPeripheral | None
) -> Iterator[str]:
    if not found.active_known and len(found.configurations) > 1:
        yield (
            f"It has {len(found.configurations)} configurations; the text does not say which is "
            "active, so the first was taken, as the kernel mostly does."
        )
    declared = _declared(known) if known else ()
    if known is None or not declared or not device.interfaces:
        return
    described, captured = (_classes(some) for some in (declared, device.interfaces))
    if described != captured:
        yield (
            f"The site describes {known.name} with {listed(described, 'and')}, but this device "
            f"has {listed(captured, 'and')}."
        )


def _classes(interfaces: tuple[Interface, ...]) -> list[str]:
    return sorted({class_name(one.usb_class) for one in interfaces})


def _declared(peripheral: PlannedPeripheral) -> tuple[Interface, ...]:
    return tuple(
        Interface(one.usb_class, one.subclass, one.protocol) for one in peripheral.interfaces
    )


def _known(
    plan: Plan, vendor: int, product: int, bcd_device: int | None
) -> PlannedPeripheral | None:
    """The peripheral with this id, one with this very version before one with any."""
    fitting = [
        one
        for one in plan.peripherals.values()
        if (one.vendor, one.product) == (vendor, product) and one.bcd_device in (None, bcd_device)
    ]
    return max(fitting, key=lambda one: one.bcd_device is not None, default=None)


def interface_words(interface: Interface) -> str:
    """``hid 3/0/0``, or the class's name alone where no more is known."""
    name = printable(class_name(interface.usb_class))
    if interface.subclass is None or interface.protocol is None:
        return name
    return f"{name} {interface.usb_class}/{interface.subclass}/{interface.protocol}"
