"""What libusb knows of a device, read through ctypes: its place, ids, class codes, interfaces.

spice-gtk hands out the ``libusb_device *`` of each device; nothing is opened, libusb answers from
what it read when the device appeared.  Structures: libusb 1.0, ``libusb.h``.
"""

from __future__ import annotations

import ctypes
from ctypes import POINTER, c_int, c_uint8, c_uint16, c_void_p

from seatwright.usb.device import Device, Interface
from seatwright.usb.portpath import PortPath

LIBRARY = "libusb-1.0.so.0"
MOST_PORTS = 7


class LibusbError(Exception):
    """libusb could not say what was asked; the text is one line."""


class _DeviceDescriptor(ctypes.Structure):
    _fields_ = (
        ("bLength", c_uint8),
        ("bDescriptorType", c_uint8),
        ("bcdUSB", c_uint16),
        ("bDeviceClass", c_uint8),
        ("bDeviceSubClass", c_uint8),
        ("bDeviceProtocol", c_uint8),
        ("bMaxPacketSize0", c_uint8),
        ("idVendor", c_uint16),
        ("idProduct", c_uint16),
        ("bcdDevice", c_uint16),
        ("iManufacturer", c_uint8),
        ("iProduct", c_uint8),
        ("iSerialNumber", c_uint8),
        ("bNumConfigurations", c_uint8),
    )


class _InterfaceDescriptor(ctypes.Structure):
    _fields_ = (
        ("bLength", c_uint8),
        ("bDescriptorType", c_uint8),
        ("bInterfaceNumber", c_uint8),
        ("bAlternateSetting", c_uint8),
        ("bNumEndpoints", c_uint8),
        ("bInterfaceClass", c_uint8),
        ("bInterfaceSubClass", c_uint8),
        ("bInterfaceProtocol", c_uint8),
        ("iInterface", c_uint8),
        ("endpoint", c_void_p),
        ("extra", c_void_p),
        ("extra_length", c_int),
    )


class _Interface(ctypes.Structure):
    _fields_ = (("altsetting", POINTER(_InterfaceDescriptor)), ("num_altsetting", c_int))


class _ConfigDescriptor(ctypes.Structure):
    _fields_ = (
        ("bLength", c_uint8),
        ("bDescriptorType", c_uint8),
        ("wTotalLength", c_uint16),
        ("bNumInterfaces", c_uint8),
        ("bConfigurationValue", c_uint8),
        ("iConfiguration", c_uint8),
        ("bmAttributes", c_uint8),
        ("MaxPower", c_uint8),
        ("interface", POINTER(_Interface)),
        ("extra", c_void_p),
        ("extra_length", c_int),
    )


class Libusb:
    """The library, loaded once."""

    def __init__(self) -> None:
        """Raises OSError where the library is not installed."""
        library = ctypes.CDLL(LIBRARY)
        library.libusb_get_bus_number.argtypes = (c_void_p,)
        library.libusb_get_bus_number.restype = c_uint8
        library.libusb_get_port_numbers.argtypes = (c_void_p, POINTER(c_uint8), c_int)
        library.libusb_get_device_descriptor.argtypes = (c_void_p, POINTER(_DeviceDescriptor))
        library.libusb_get_active_config_descriptor.argtypes = (
            c_void_p,
            POINTER(POINTER(_ConfigDescriptor)),
        )
        library.libusb_free_config_descriptor.argtypes = (POINTER(_ConfigDescriptor),)
        library.libusb_free_config_descriptor.restype = None
        self._library = library

    def place(self, device: int) -> PortPath | None:
        """The port path of a ``libusb_device *``; None for a root hub or where it is unknown."""
        numbers = (c_uint8 * MOST_PORTS)()
        count = self._library.libusb_get_port_numbers(device, numbers, MOST_PORTS)
        if count <= 0:
            return None
        return PortPath(self._library.libusb_get_bus_number(device), tuple(numbers[:count]))

    def describe(self, device: int) -> Device:
        """The device as a filter sees it, in its active configuration. Raises LibusbError."""
        descriptor = _DeviceDescriptor()
        code = self._library.libusb_get_device_descriptor(device, ctypes.byref(descriptor))
        if code < 0:
            raise LibusbError(f"the device descriptor could not be read (libusb says {code})")
        interfaces = self._interfaces(device)
        return Device(
            vendor=descriptor.idVendor,
            product=descriptor.idProduct,
            bcd_device=descriptor.bcdDevice,
            device_class=descriptor.bDeviceClass,
            device_subclass=descriptor.bDeviceSubClass,
            device_protocol=descriptor.bDeviceProtocol,
            interfaces=interfaces or (),
            configured=interfaces is not None,
        )

    def _interfaces(self, device: int) -> tuple[Interface, ...] | None:
        """First alternate setting of each interface, as usbredir looks at them; None where no
        configuration is active or it cannot be read (then nothing may be let through).
        """
        config = POINTER(_ConfigDescriptor)()
        code = self._library.libusb_get_active_config_descriptor(device, ctypes.byref(config))
        if code < 0 or not config:
            return None
        try:
            found = config.contents
            entries = [found.interface[number] for number in range(found.bNumInterfaces)]
            first = [entry.altsetting[0] for entry in entries if entry.num_altsetting > 0]
            return tuple(
                Interface(one.bInterfaceClass, one.bInterfaceSubClass, one.bInterfaceProtocol)
                for one in first
            )
        finally:
            self._library.libusb_free_config_descriptor(config)
