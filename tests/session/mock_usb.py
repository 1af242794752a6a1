"""A USB bus made of nothing: umockdev shows the devices, this answers for the kernel's usbdevfs.

Run with Debian's Python under ``umockdev-wrapper``.  It starts the program given on its command
line, which sees the devices, and takes lines of JSON on standard input::

    {"plug": "1-2", "vendor": 4617, "product": 6, "interfaces": [[8, 6, 80]]}
    {"plug": "1-2", ..., "configured": false, "device_class": 239, "product_name": "Film scanner"}
    {"pull": "1-2"}

Each is answered by a line on standard output; the child's end is ``{"ended": STATUS}``.
Source of numbers and structures: Linux ``uapi/linux/usbdevice_fs.h``, USB 2.0 chapter 9.
"""

from __future__ import annotations

import errno
import json
import os
import signal
import struct
import subprocess
import sys

import gi

gi.require_version("UMockdev", "1.0")
from gi.repository import GLib, UMockdev  # noqa: E402

GET_CAPABILITIES = 0x8004551A
GET_DRIVER = 0x41045508
SUBMIT_URB = 0x8038550A
DISCARD_URB = 0x550B
REAP_URB_NDELAY = 0x4008550D
HARMLESS = {
    0x8004550F: "claim interface",
    0x80045510: "release interface",
    0x80085504: "set interface",
    0x80045505: "set configuration",
    0x5514: "reset",
    0xC0105512: "driver ioctl",
    0x8108551B: "disconnect and claim",
    0x80045515: "clear halt",
}
URB_SIZE = 56
POINTER = 8
URB_STATUS = 4  # offset of status; actual_length follows buffer and buffer_length
URB_ACTUAL = 28


def descriptors(device: dict) -> bytes:
    """Device descriptor, then one configuration with an endpoint for each interface."""
    head = struct.pack(
        "<BBHBBBBHHHBBBB",
        18,
        1,
        0x0200,
        device.get("device_class", 0),
        0,
        0,
        64,
        device["vendor"],
        device["product"],
        device.get("bcd", 0x0100),
        0,
        0,
        0,
        1,
    )
    body = b""
    for number, (usb_class, subclass, protocol) in enumerate(device["interfaces"]):
        body += struct.pack("<BBBBBBBBB", 9, 4, number, 0, 1, usb_class, subclass, protocol, 0)
        body += struct.pack("<BBBBHB", 7, 5, 0x81 + number, 2, 512, 0)
    count = len(device["interfaces"])
    return head + struct.pack("<BBHBBBBB", 9, 2, 9 + len(body), count, 1, 0, 0x80, 50) + body


class Node:
    """One device node: a full pipe, so that polling for "a request is done" does not spin."""

    def __init__(self, path: str) -> None:
        os.unlink(path)
        os.mkfifo(path)
        os.chmod(path, 0o666)
        self.descriptor = os.open(path, os.O_RDWR | os.O_NONBLOCK)
        self.done: dict = {}  # by open file: what was asked through one is not answered to another
        self.fill()

    def fill(self) -> None:
        """Not writable: nothing to reap."""
        try:
            while True:
                os.write(self.descriptor, bytes(4096))
        except BlockingIOError:
            pass

    def drain(self) -> None:
        """Writable: something to reap."""
        try:
            while True:
                os.read(self.descriptor, 65536)
        except BlockingIOError:
            pass


class Bus:
    """The testbed, one root hub, and what is plugged in."""

    def __init__(self) -> None:
        self.testbed = UMockdev.Testbed.new()
        self.nodes: dict[str, Node] = {}
        self.handlers: list = []
        self.paths: dict[str, str] = {}
        self.next = {1: 1, 2: 1}
        for bus in (1, 2):
            self.add(
                f"usb{bus}",
                bus,
                {"vendor": 0x1D6B, "product": 2, "device_class": 9, "interfaces": [[9, 0, 0]]},
            )

    def descriptors(self, device: dict) -> bytes:
        """What the kernel would show of it."""
        return descriptors(device)

    def plug(self, device: dict) -> None:
        place = device["plug"]
        parts = place.split(".")
        for depth in range(1, len(parts)):  # hubs on the way
            hub = ".".join(parts[:depth])
            if hub not in self.paths:
                self.add(
                    hub,
                    int(place[0]),
                    {"vendor": 0x1209, "product": 1, "device_class": 9, "interfaces": [[9, 0, 0]]},
                )
        self.add(place, int(place[0]), device)

    def add(self, name: str, bus: int, device: dict) -> None:
        number = self.next[bus]
        self.next[bus] += 1
        root = f"/devices/pci0000:00/0000:00:14.{bus}"
        parent = name.rpartition(".")[0] or f"usb{bus}"
        path = f"{root}/{name}" if name.startswith("usb") else f"{self.paths[parent]}/{name}"
        node = f"bus/usb/{bus:03}/{number:03}"
        active = "1\\n" if device.get("configured", True) else "\\n"
        lines = [
            f"P: {path}",
            f"N: {node}",
            "E: DEVTYPE=usb_device",
            "E: SUBSYSTEM=usb",
            f"E: BUSNUM={bus:03}",
            f"E: DEVNUM={number:03}",
            f"E: DEVNAME=/dev/{node}",
            "E: MAJOR=189",
            f"E: MINOR={128 * (bus - 1) + number - 1}",
            f"E: PRODUCT={device['vendor']:x}/{device['product']:x}/100",
            f"E: ID_MODEL={device.get('product_name', '')}",
            f"A: busnum={bus}\\n",
            f"A: devnum={number}\\n",
            "A: speed=480\\n",
            f"A: bConfigurationValue={active}",
            f"A: idVendor={device['vendor']:04x}\\n",
            f"A: idProduct={device['product']:04x}\\n",
            f"A: bDeviceClass={device.get('device_class', 0):02x}\\n",
            f"A: product={device.get('product_name', '')}\\n",
            "A: manufacturer=\\n",
            f"H: descriptors={self.descriptors(device).hex().upper()}",
        ]
        handler = UMockdev.IoctlBase()
        handler.connect("handle-ioctl", self.answer, name)
        handler.connect("client-vanished", self.closed, name)
        self.testbed.attach_ioctl(f"/dev/{node}", handler)
        self.handlers.append(handler)
        self.paths[name] = path
        self.testbed.add_from_string("\n".join(lines) + "\n\n")
        self.nodes[name] = Node(f"{self.testbed.get_root_dir()}/dev/{node}")
        if not device.get("silent"):
            self.testbed.uevent(f"/sys{path}", "add")

    def pull(self, name: str) -> None:
        path = f"/sys{self.paths.pop(name)}"
        self.testbed.uevent(path, "remove")
        self.testbed.remove_device(path)
        node = self.nodes.pop(name)
        node.drain()

    def answer(self, handler, client, name: str) -> bool:
        request = client.get_request()
        node = self.nodes.get(name)
        if node is None:
            client.complete(-1, errno.ENODEV)
        elif request == GET_CAPABILITIES:
            client.get_arg().resolve(0, 4).update(0, struct.pack("<I", 0x0D))
            client.complete(0, 0)
        elif request == GET_DRIVER:
            client.complete(-1, errno.ENODATA)
        elif request == SUBMIT_URB:
            self.submit(node, client)
        elif request == DISCARD_URB:
            self.discard(node, client)
        elif request == REAP_URB_NDELAY:
            self.reap(node, client)
        elif request in HARMLESS:
            client.complete(0, 0)
        else:
            client.complete(-1, errno.ENOTTY)
        return True

    def submit(self, node: Node, client) -> None:
        """Every transfer stalls at once: nobody here plays a device beyond its descriptors."""
        urb = client.get_arg().resolve(0, URB_SIZE)
        urb.update(URB_STATUS, struct.pack("<i", -errno.EPIPE))
        urb.update(URB_ACTUAL, struct.pack("<i", 0))
        node.done.setdefault(client, []).append(urb)
        client.complete(0, 0)
        node.drain()

    def discard(self, node: Node, client) -> None:
        client.complete(-1, errno.EINVAL)  # it is done already

    def reap(self, node: Node, client) -> None:
        waiting = node.done.get(client, [])
        if not waiting:
            node.fill()
            client.complete(-1, errno.EAGAIN)
            return
        client.get_arg().resolve(0, POINTER).set_ptr(0, waiting.pop(0))
        if not waiting:
            node.fill()
        client.complete(0, 0)

    def closed(self, handler, client, name: str) -> None:
        """The kernel forgets what was asked through a file that is closed."""
        node = self.nodes.get(name)
        if node is not None and node.done.pop(client, None):
            node.fill()


def main(make: type[Bus] = Bus) -> int:
    bus = make()
    for text in os.environ.get("MOCK_USB_FIRST", "").splitlines():
        bus.plug({**json.loads(text), "silent": True})
    environment = dict(os.environ, UMOCKDEV_DIR=bus.testbed.get_root_dir())
    child = subprocess.Popen(sys.argv[1:], env=environment, stdin=subprocess.DEVNULL)
    loop = GLib.MainLoop()

    def ended(_: int, status: int) -> None:
        print(json.dumps({"ended": os.waitstatus_to_exitcode(status)}), flush=True)
        loop.quit()

    rest = b""

    def orders(channel: object, condition: GLib.IOCondition) -> bool:
        nonlocal rest
        data = os.read(0, 65536)
        if not data:
            child.terminate()
            return False
        *lines, rest = (rest + data).split(b"\n")
        for order in map(json.loads, lines):
            bus.plug(order) if "plug" in order else bus.pull(order["pull"])
            print(json.dumps({"done": order.get("plug") or order.get("pull")}), flush=True)
        return True

    GLib.child_watch_add(GLib.PRIORITY_DEFAULT, child.pid, ended)
    GLib.io_add_watch(0, GLib.IOCondition.IN | GLib.IOCondition.HUP, orders)
    GLib.unix_signal_add(GLib.PRIORITY_DEFAULT, signal.SIGTERM, child.terminate)
    loop.run()
    return 0


if __name__ == "__main__":
    sys.exit(main())
