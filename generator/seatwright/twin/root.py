"""The root file system that both twins boot from: Debian's kernel and packages, made once."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from seatwright.rehearsal.base import LEFT_OUT, SEAT, Recipe
from seatwright.twin import agent
from seatwright.twin.wiring import FIRST_CONTROLLER, FIRST_HOLDER, MOST_BUSES

DRIVERS_LEFT_OUT = (
    "drivers/bluetooth",
    "drivers/gpu/drm/[!qtv]*",  # a guest's screen and a client's stay
    "drivers/gpu/drm/v[!gi]*",
    "drivers/iio",
    "drivers/infiniband",
    "drivers/isdn",
    "drivers/media/[!m]*",  # sound over USB needs its mc
    "drivers/mtd",
    "drivers/net/ethernet",
    "drivers/net/wireless",
    "drivers/staging",
    "sound/pci",
    "sound/soc",
)
"""Drivers of what the emulator does not have; they are most of the kernel's size."""

TWIN = Recipe(
    name="twin",
    suite=SEAT.suite,
    packages=tuple(
        sorted(
            {
                *SEAT.packages,
                *LEFT_OUT,
                "initramfs-tools",
                "kmod",
                "linux-image-amd64",
                "systemd-timesyncd",
                "usbutils",
            }
        )
    ),
    left_out=tuple(f"/lib/modules/*/kernel/{name}/*" for name in DRIVERS_LEFT_OUT),
)
"""A seat before its first run, with a kernel of its own."""

AGENT = "/usr/lib/seatwright-twin/agent.py"
AGENT_PORT = "seatwright.twin"
GATEWAY = "10.0.2.2"
"""Where QEMU's user network shows the loopback of its own network namespace."""

AGENT_UNIT = f"""\
[Unit]
Description=Way into this twin over a serial port
DefaultDependencies=no
BindsTo=dev-virtio\\x2dports-seatwright.twin.device
After=dev-virtio\\x2dports-seatwright.twin.device

[Service]
ExecStart=/usr/bin/python3 -I -B {AGENT} /dev/virtio-ports/{AGENT_PORT}
Restart=always

[Install]
WantedBy=dev-virtio\\x2dports-seatwright.twin.device
"""

BUSES = f"""\
#!/bin/sh
# Give the controllers the bus numbers that the model says. Linux gives the lowest free number, and
# each controller needs two: what holds a number lets it go just before the one that it is for.
set -eu
cd /sys/bus/pci
echo 0 > drivers_autoprobe
modprobe -a ehci_pci xhci_pci
echo 1 > drivers_autoprobe
slots=$(seq 0 {MOST_BUSES - 1})
bind() {{ [ ! -e "devices/$2" ] || echo "$2" > "drivers/$1"; }}
for n in $slots; do bind ehci-pci/bind 0000:00:$(printf %02x $(({FIRST_HOLDER} + n))).0; done
for n in $slots; do
    bind ehci-pci/unbind 0000:00:$(printf %02x $(({FIRST_HOLDER} + n))).0
    bind xhci_hcd/bind 0000:00:$(printf %02x $(({FIRST_CONTROLLER} + n))).0
done
# A guest's controllers are anywhere else.
[ -e devices/0000:00:$(printf %02x {FIRST_CONTROLLER}).0 ] ||
    for device in devices/*; do echo "${{device##*/}}" > drivers_probe; done
"""
BUSES_UNIT = """\
[Unit]
Description=Bus numbers as the model has them
DefaultDependencies=no
After=systemd-udevd.service
Before=systemd-udev-trigger.service

[Service]
Type=oneshot
RemainAfterExit=yes
ExecStart=/bin/sh /usr/lib/seatwright-twin/buses

[Install]
WantedBy=sysinit.target
"""

FILES: Mapping[str, str] = {
    AGENT: Path(agent.__file__).read_text(),
    "/etc/systemd/system/seatwright-twin.service": AGENT_UNIT,
    "/usr/lib/seatwright-twin/buses": BUSES,
    "/etc/systemd/system/seatwright-twin-buses.service": BUSES_UNIT,
    "/etc/modprobe.d/twin.conf": "blacklist ehci_pci\nblacklist xhci_pci\n",
    "/etc/systemd/network/twin.network": "[Match]\nType=ether\n\n[Network]\nDHCP=ipv4\n",
    "/etc/systemd/timesyncd.conf.d/twin.conf": f"[Time]\nNTP={GATEWAY}\nFallbackNTP=\n"
    "PollIntervalMinSec=16\nConnectionRetrySec=1\n",
    "/etc/fstab": "/dev/vda / ext4 noatime 0 1\n",
    "/etc/initramfs-twin/initramfs.conf": "MODULES=list\nBUSYBOX=n\nCOMPRESS=gzip\n"
    "KEYMAP=n\nFSTYPE=ext4\nRUNSIZE=10%\n",
    "/etc/initramfs-twin/modules": "virtio_pci\nvirtio_blk\next4\ncrc32c_generic\n",
}
"""What makes a twin of a root: the machine's own files, which no role would write."""

LINKS: Mapping[str, str] = {
    "/etc/systemd/system/dev-virtio\\x2dports-seatwright.twin.device.wants/"
    "seatwright-twin.service": "/etc/systemd/system/seatwright-twin.service",
    "/etc/systemd/system/sysinit.target.wants/seatwright-twin-buses.service": "/etc/systemd/"
    "system/seatwright-twin-buses.service",
    "/etc/systemd/system/multi-user.target.wants/systemd-networkd.service": "/lib/systemd/system/"
    "systemd-networkd.service",
    "/etc/systemd/system/sysinit.target.wants/systemd-timesyncd.service": "/lib/systemd/system/"
    "systemd-timesyncd.service",
    **{
        f"/etc/systemd/system/{unit}": "/dev/null"
        for unit in (
            "apt-daily.timer",
            "apt-daily-upgrade.timer",
            "dpkg-db-backup.timer",
            "e2scrub_all.timer",
            "e2scrub_reap.service",
            "fstrim.timer",
            "kmod-static-nodes.service",
            "modprobe@configfs.service",
            "modprobe@drm.service",
            "modprobe@efi_pstore.service",
            "modprobe@fuse.service",
            "sys-kernel-debug.mount",
            "sys-kernel-tracing.mount",
            "systemd-journal-flush.service",
            "systemd-pstore.service",
            "ssh.service",
            "systemd-networkd-wait-online.service",
        )
    },
}
"""What is switched on, and off because it only costs time here."""


@dataclass(frozen=True, slots=True)
class Furnishing:
    """A twin's own files: by path, with the lines of ``/etc/hosts`` for this site."""

    files: Mapping[str, str]
    links: Mapping[str, str]

    def put(self, root: Path) -> None:
        """Write them into a root file system."""
        for path, text in self.files.items():
            target = root / path.lstrip("/")
            target.parent.mkdir(parents=True, exist_ok=True)
            target.write_text(text)
        for path, points_to in self.links.items():
            link = root / path.lstrip("/")
            link.parent.mkdir(parents=True, exist_ok=True)
            link.unlink(missing_ok=True)
            link.symlink_to(points_to)

    def digest(self) -> str:
        """The same for the same content."""
        content = json.dumps([dict(self.files), dict(self.links)], sort_keys=True)
        return hashlib.sha256(content.encode()).hexdigest()


def furnishing(seat: str, hosts: Mapping[str, str]) -> Furnishing:
    """The files of one seat's twin; ``hosts`` are addresses by name."""
    known = {"localhost": "127.0.0.1", seat: "127.0.1.1", **hosts}
    lines = "".join(f"{address}\t{name}\n" for name, address in known.items())
    return Furnishing({**FILES, "/etc/hosts": lines, "/etc/hostname": f"{seat}\n"}, LINKS)
