"""Invented devices on a mock USB bus (umockdev), seen by the real lsusb and as a /sys tree.

Sources: USB 2.0, tables 9-8, 9-10, 9-12 for the descriptors; umockdev's description format;
Debian packages umockdev and usbutils. A machine without them fails.
"""

from __future__ import annotations

import shutil
import struct
import subprocess
from collections.abc import Iterable
from pathlib import Path
from random import Random

from seatwright.usb.capture import CapturedDevice, Configuration, Endpoint, Setting
from seatwright.usb.device import Interface
from seatwright.usb.portpath import PortPath


def invented_device(random: Random, address: int) -> CapturedDevice:
    """A device with up to three configurations, some with alternate settings, some with none.

    It sits in a root port: lsusb finds the names of others through the hubs they hang on.
    """
    count = random.choice((1, 1, 2, 3))
    configurations = tuple(_invented_configuration(random, value + 1) for value in range(count))
    if random.random() < 0.1:
        configurations = ()
    return CapturedDevice(
        vendor=0x1209,
        product=random.randrange(0x10),
        bcd_device=random.choice((0x0100, 0x0110, 0x2345, 0x9999, 0xABCD, 0)),
        device_class=random.choice((0, 0, 0xEF, random.randrange(256))),
        device_subclass=random.randrange(256),
        device_protocol=random.randrange(256),
        configurations=configurations,
        active=configurations[0].value if configurations else None,
        active_known=True,
        file="",
        line=0,
        bus=address // 31 + 1,
        address=address,
        port=PortPath(address // 31 + 1, (address % 31 + 1,)),
        manufacturer=random.choice(("", "Fenn Works", "Fen: Mör")),
        title=random.choice(("", "Card Reader", "Bus 001 Device 009: ID", "idVendor 0x1111")),
    )


def _invented_configuration(random: Random, value: int) -> Configuration:
    settings = []
    for number in range(random.randrange(1, 5)):
        for alternate in range(random.choice((1, 1, 1, 2, 3))):
            codes = (random.randrange(256) for _ in range(3))
            endpoints = tuple(
                Endpoint(
                    0x81 + number + 4 * at,
                    random.choice((1, 2, 3, 5, 13)),
                    random.choice((8, 64, 192, 512, 0x0B00, 0x1400)),
                    random.randrange(1, 17),
                )
                for at in range(random.randrange(3))
            )
            settings.append(Setting(number, alternate, Interface(*codes), endpoints))
    return Configuration(value, tuple(settings))


def descriptors(device: CapturedDevice) -> bytes:
    """The bytes a kernel would show for the device."""
    head = struct.pack(
        "<BBHBBBBHHHBBBB", 18, 1, 0x0200,
        device.device_class, device.device_subclass, device.device_protocol, 64,
        device.vendor, device.product, device.bcd_device, 1, 2, 0, len(device.configurations),
    )  # fmt: skip
    return head + b"".join(_configuration(one) for one in device.configurations)


def _configuration(configuration: Configuration) -> bytes:
    body = b"".join(_interface(setting) for setting in configuration.settings)
    count = len({setting.number for setting in configuration.settings})
    head = struct.pack("<BBHBBBBB", 9, 2, 9 + len(body), count, configuration.value, 0, 0x80, 50)
    return head + body


def _interface(setting: Setting) -> bytes:
    one = setting.interface
    head = (9, 4, setting.number, setting.alternate, len(setting.endpoints))
    codes = (one.usb_class, one.subclass or 0, one.protocol or 0)
    endpoints = (
        struct.pack("<BBBBHB", 7, 5, end.address, end.attributes, end.max_packet, end.interval)
        for end in setting.endpoints
    )
    return bytes((*head, *codes, 0)) + b"".join(endpoints)


def description(devices: Iterable[CapturedDevice]) -> str:
    """The devices and their interfaces as umockdev-run reads them."""
    return "\n".join(part for device in devices for part in _parts(device))


def _parts(device: CapturedDevice) -> list[str]:
    node = f"bus/usb/{device.bus:03}/{device.address:03}"
    raw = descriptors(device).hex().upper()
    attributes = {
        "busnum": f"{device.bus}\n",
        "devpath": f"{device.port.ports[0] if device.port else 0}\n",
        "devnum": f"{device.address}\n",
        "idVendor": f"{device.vendor:04x}\n",
        "idProduct": f"{device.product:04x}\n",
        "bcdDevice": f"{device.bcd_device:04x}\n",
        "bDeviceClass": f"{device.device_class:02x}\n",
        "bDeviceSubClass": f"{device.device_subclass:02x}\n",
        "bDeviceProtocol": f"{device.device_protocol:02x}\n",
        "bConfigurationValue": "" if device.active is None else f"{device.active}\n",
        "manufacturer": f"{device.manufacturer}\n",
        "product": f"{device.title}\n",
        "speed": "480\n",
    }
    lines = [
        f"P: {_directory(device)}",
        f"N: {node}={raw}",
        "E: SUBSYSTEM=usb",
        "E: DEVTYPE=usb_device",
        f"E: BUSNUM={device.bus:03}",
        f"E: DEVNUM={device.address:03}",
        f"E: DEVNAME=/dev/{node}",
        *(f"A: {name}={_escaped(value)}" for name, value in attributes.items()),
        f"H: descriptors={raw}",
        "",
    ]
    return ["\n".join(lines), *_interface_parts(device)]


def _interface_parts(device: CapturedDevice) -> list[str]:
    """Each interface of the active configuration in its first setting."""
    active = device.configuration()
    if active is None:
        return []
    parts = []
    for setting in active.settings:
        if setting.alternate == 0:
            one = setting.interface
            parts.append(
                f"P: {_directory(device)}/{device.port}:{active.value}.{setting.number}\n"
                "E: SUBSYSTEM=usb\nE: DEVTYPE=usb_interface\n"
                f"A: bInterfaceNumber={setting.number:02x}\\n\n"
                f"A: bAlternateSetting= {setting.alternate}\\n\n"
                f"A: bInterfaceClass={one.usb_class:02x}\\n\n"
                f"A: bInterfaceSubClass={one.subclass:02x}\\n\n"
                f"A: bInterfaceProtocol={one.protocol:02x}\\n\n"
            )
    return parts


def _directory(device: CapturedDevice) -> str:
    return f"/devices/pci0000:00/usb{device.bus}/{device.port}"


def _escaped(text: str) -> str:
    return text.replace("\\", "\\\\").replace("\n", "\\n")


def run_on_bus(description_text: str, work: Path, command: str) -> str:
    """What a shell command prints on the mock bus. RuntimeError where a program is missing."""
    for program, package in (("umockdev-run", "umockdev"), ("lsusb", "usbutils")):
        if shutil.which(program) is None:
            raise RuntimeError(f"{program} is missing: run apt-get install {package}")
    (work / "bus.umockdev").write_text(description_text, encoding="utf-8")
    run = subprocess.run(
        ["umockdev-run", "--device", work / "bus.umockdev", "--", "sh", "-c", command],
        capture_output=True, timeout=60, check=True, cwd=work,
    )  # fmt: skip
    return run.stdout.decode("utf-8", errors="replace")
