"""What can be plugged into a client twin: the emulator's own USB devices.

Ids, classes and speeds are those of QEMU 7.2 (hw/usb/dev-*.c).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from itertools import count
from pathlib import Path
from types import MappingProxyType

from seatwright.twin.qmp import Qmp
from seatwright.twin.wiring import at, device_id
from seatwright.usb.portpath import PortPath, parse_port_path

DRIVE_BYTES = 64 * 1024 * 1024


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of device: its driver, its id, its interfaces' classes, and what is behind it."""

    driver: str
    id: str
    classes: tuple[int, ...]
    behind: str = ""
    options: Mapping[str, object] = field(default_factory=dict)


KINDS: Mapping[str, Kind] = MappingProxyType(
    {
        "drive": Kind("usb-storage", "46f4:0001", (0x08,), "drive"),
        "serial": Kind("usb-serial", "0403:6001", (0xFF,), "chardev", {"always-plugged": True}),
        "audio": Kind("usb-audio", "46f4:0002", (0x01, 0x01), options={"audiodev": "mute"}),
        "card-reader": Kind("usb-ccid", "08e6:4433", (0x0B,)),
        "player": Kind("usb-mtp", "46f4:0004", (0x06,), "folder"),
        "network-adapter": Kind("usb-net", "0525:a4a2", (0x02, 0x0A), "netdev"),
        "keyboard": Kind("usb-kbd", "0627:0001", (0x03,)),
        "mouse": Kind("usb-mouse", "0627:0001", (0x03,)),
        "tablet": Kind("usb-tablet", "0627:0001", (0x03,)),
        "braille": Kind("usb-braille", "0403:fe72", (0xFF,), "braille"),
        "hub": Kind("usb-hub", "0409:55aa", (0x09,)),
    }
)
"""By the name that :meth:`Sockets.plug` takes."""


class Sockets:
    """What is plugged into a client twin by hand, and how it comes and goes."""

    def __init__(self, qmp: Qmp, directory: Path) -> None:
        self._qmp = qmp
        self._directory = directory
        self._numbers = count(1)
        self._plugged: dict[PortPath, str] = {}

    def plug(self, place: str, kind: str, **options: object) -> None:
        """Plug a device in at a port path; ``options`` are the driver's further ones."""
        path, what = parse_port_path(place), KINDS[kind]
        given = {**what.options, **options, **self._behind(what.behind)}
        self.add(path, what.driver, **given)

    def add(self, path: PortPath, driver: str, **options: object) -> None:
        """Plug in what QEMU calls ``driver``."""
        given = dict(one.split("=") for one in at(path))
        name = device_id(path)
        self._qmp.ask("device_add", driver=driver, id=name, **given, **options)
        self._plugged[path] = name

    def pull(self, place: str) -> None:
        """Pull what is at a port path, and wait until it is gone."""
        path = parse_port_path(place)
        name = self._plugged.pop(path, device_id(path))
        self._qmp.ask("device_del", id=name)
        self._qmp.wait_event("DEVICE_DELETED", lambda data: data.get("device") == name)

    def pull_all(self) -> None:
        """Leave no device of these behind."""
        for path in sorted(self._plugged, reverse=True):
            self.pull(str(path))

    def _behind(self, what: str) -> dict[str, object]:
        """A new drive, folder or line: each belongs to one device and goes with it."""
        name = f"behind{next(self._numbers)}"
        if what == "drive":
            return {"drive": self._drive(name)}
        if what == "folder":
            folder = self._directory / name
            folder.mkdir()
            return {"rootdir": str(folder), "readonly": True}
        if what == "netdev":
            self._qmp.ask("netdev_add", type="user", id=name, restrict=True)
            return {"netdev": name}
        if what in ("chardev", "braille"):
            backend = {"type": "null", "data": {}}
            self._qmp.ask("chardev-add", id=name, backend=backend)
            return {"chardev": name}
        return {}

    def _drive(self, name: str) -> str:
        """A drive's content: a file full of holes. Its own for each plug: it ends with it."""
        content = self._directory / name
        with content.open("wb") as file:
            file.truncate(DRIVE_BYTES)
        self._qmp.ask("blockdev-add", driver="file", filename=str(content), **{"node-name": name})
        return name

    def plugged(self) -> Iterator[str]:
        """The port paths in use."""
        yield from map(str, self._plugged)
