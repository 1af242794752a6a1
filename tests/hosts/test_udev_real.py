"""The seats' own udev decides about device nodes as the keys say, between Debian's own rules.

``udevadm test`` of Debian 12 (systemd 252) handles the event of each played device (umockdev) with
all rules of the distribution, those for cameras, scanners, media players and card readers included.
"""

from __future__ import annotations

import random
import re
import subprocess
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import pytest

from plugged import (
    Plugged,
    keys_decide,
    node_key,
    onboard,
    random_device,
    random_key,
    rule_set,
    socket,
)
from seatwright.plan import RuleSet
from seatwright.rehearsal.base import Recipe, ensure
from seatwright.rehearsal.newer import verify_udev_rules
from seatwright.render.udev import udev_rules

UDEV = Recipe(
    name="udev-rules",
    suite="bookworm",
    packages=(
        "libccid",
        "libgphoto2-6",
        "libmtp-runtime",
        "libsane1",
        "systemd",
        "udev",
        "umockdev",
    ),
)
BUS = "/devices/pci0000:00/0000:00:14.0"
SCRIPT = """
set -e
mount -t tmpfs tmpfs /tmp
mkdir /tmp/upper /tmp/work
mount -t overlay overlay -o "lowerdir=$1,upperdir=/tmp/upper,workdir=/tmp/work" /mnt
mount -t proc proc /mnt/proc
grep -q ^seat: /mnt/etc/group || chroot /mnt groupadd --system --gid 877 seat
cat > /mnt/tmp/input
sed -n '/^@devices$/,/^@paths$/{/^@/!p}' /mnt/tmp/input > /mnt/tmp/devices
sed -n '/^@paths$/,$ {/^@/!p}' /mnt/tmp/input > /mnt/tmp/paths
sed '/^@devices$/,$d' /mnt/tmp/input > /mnt/etc/udev/rules.d/74-seatwright.rules
exec chroot /mnt umockdev-run --device /tmp/devices -- sh -c '
    while read -r path; do
        echo "@ $path"
        udevadm test --action=add "/sys$path" 2>&1
    done < /tmp/paths'
"""
STEP = re.compile(r"rules:\d+ (MODE|GROUP|OWNER) (\S+)")
RUN = re.compile(r"^run: '(.*)'$", re.MULTILINE)


@dataclass(frozen=True)
class Decided:
    """What udev came to: mode and group of the node, tags, and what it runs, in order."""

    mode: str
    group: str
    tags: frozenset[str]
    runs: tuple[str, ...]
    text: str

    @property
    def open(self) -> bool:
        return {("0600", "0"): False, ("0660", "877"): True}[self.mode, self.group]


def descriptors(device: Plugged) -> bytes:
    """As /sys has them: the device, its configuration, and an endpoint for each interface."""
    ids = b"".join(
        one.to_bytes(2, "little") for one in (device.vendor, device.product, device.version)
    )
    head = bytes([18, 1, 0, 2, device.device_class, 0, 0, 64]) + ids + bytes([0, 0, 0, 1])
    body = b"".join(
        bytes([9, 4, number, 0, 1, code, 6, 0x50, 0, 7, 5, 0x81 + number, 2, 0, 2, 0])
        for number, code in enumerate(device.interfaces)
    )
    total = (9 + len(body)).to_bytes(2, "little")
    return head + bytes([9, 2]) + total + bytes([len(device.interfaces), 1, 0, 0x80, 50]) + body


def played(device: Plugged, number: int) -> tuple[str, str]:
    """Where the device is in /sys, and what umockdev reads of it."""
    bus = int(device.port.split("-")[0])
    path = f"{BUS}/usb{bus}/{device.port}"
    node = f"bus/usb/{bus:03d}/{number:03d}"
    lines = [
        f"P: {path}",
        f"N: {node}",
        "E: DEVTYPE=usb_device",
        "E: SUBSYSTEM=usb",
        f"E: DEVNAME=/dev/{node}",
        "E: MAJOR=189",
        f"E: MINOR={number}",
        f"A: idVendor={device.vendor:04x}",
        f"A: idProduct={device.product:04x}",
        f"A: bcdDevice={device.version:04x}",
        f"A: bDeviceClass={device.device_class:02x}",
        f"A: busnum={bus}",
        f"A: devnum={number}",
        f"H: descriptors={descriptors(device).hex().upper()}",
    ]
    return path, "\n".join(lines) + "\n\n"


def ask_udev(rules: Sequence[str], devices: Sequence[Plugged]) -> list[Decided]:
    """What the real udev decides for each device; devices have ports of their own."""
    (root,) = ensure(UDEV)
    plays = [played(device, number) for number, device in enumerate(devices, 2)]
    given = "\n".join([*rules, "@devices", *(text for _, text in plays), "@paths"])
    given += "\n" + "\n".join(path for path, _ in plays) + "\n"
    argv = ["unshare", "--mount", "sh", "-c", SCRIPT, "sh", str(root)]
    done = subprocess.run(argv, input=given, capture_output=True, text=True, check=False)
    parts = done.stdout.split("@ /devices")[1:]
    assert len(parts) == len(devices), done.stdout[-2000:] + done.stderr
    return [_decided(part) for part in parts]


def _decided(text: str) -> Decided:
    last = dict(STEP.findall(text))
    tags = re.search(r"^CURRENT_TAGS=(.*)$", text, re.MULTILINE)
    return Decided(
        mode=last["MODE"],
        group=last.get("GROUP", "0"),
        tags=frozenset(tags[1].strip(":").split(":")) if tags else frozenset(),
        runs=tuple(RUN.findall(text)),
        text=text,
    )


def numbered(devices: Sequence[Plugged]) -> list[Plugged]:
    """The same devices, each at a port of its own that no rule names."""
    from dataclasses import replace

    return [replace(one, port=f"9-1.{n // 20 + 1}.{n % 20 + 1}") for n, one in enumerate(devices)]


def test_real_udev_decides_what_the_keys_say() -> None:
    chance = random.Random(2)
    keys = [random_key(chance) for _ in range(6)]
    devices = numbered([random_device(chance) for _ in range(120)])
    decided = ask_udev(udev_rules(rule_set(keys), []), devices)
    for device, one in zip(devices, decided, strict=True):
        assert one.open == keys_decide(keys, device), (device, one.text)
    assert {one.open for one in decided} == {True, False}


CAMERA_KEY = [node_key([0x06])]
READER_KEY = [node_key([0x0B], vendor=0x1209, product=0x0003)]


@cache
def of_a_kind() -> dict[str, Decided]:
    """Devices that Debian opens for whoever sits there, under rules that open few of them."""
    devices = {
        "camera": Plugged(port="1-1", product=0x0004, interfaces=(0x06,)),
        "reader": Plugged(port="1-2", interfaces=(0x0B,)),
        "printer": Plugged(port="1-3", product=0x0005, interfaces=(0x07,)),
        "drive": Plugged(port="1-4", product=0x0006, interfaces=(0x08,)),
        "hub": Plugged(port="1-5", product=0x0001, device_class=0x09, interfaces=(0x09,)),
        "onboard reader": Plugged(port="2-3.4.2", interfaces=(0x0B,)),
        "camera in its socket": Plugged(port="2-3.1", product=0x0004, interfaces=(0x06,)),
        "camera behind a hub in it": Plugged(port="2-3.1.7", product=0x0004, interfaces=(0x06,)),
        "reader in its socket": Plugged(port="2-3.1.6", interfaces=(0x0B,)),
    }
    rules = rule_set(READER_KEY, [socket("under the shelf", ["2-3.1"], CAMERA_KEY)])
    decided = ask_udev(udev_rules(rules, [onboard("2-3.4.2")]), list(devices.values()))
    return dict(zip(devices, decided, strict=True))


@pytest.mark.parametrize(
    ("device", "opened"),
    [
        ("camera", False),
        ("reader", True),
        ("printer", False),
        ("drive", False),
        ("hub", False),
        ("onboard reader", False),
        ("camera in its socket", True),
        ("camera behind a hub in it", True),
        ("reader in its socket", False),
    ],
)
def test_the_distributions_own_rules_open_nothing(device: str, opened: bool) -> None:
    """logind goes by the tags; what 73-seat-late.rules runs for them is followed by our closing."""
    decided = of_a_kind()[device]
    assert decided.open is opened and "uaccess" not in decided.tags
    if "uaccess" in decided.runs and not opened:
        after = decided.runs[decided.runs.index("uaccess") + 1 :]
        assert any(one.startswith("/bin/chmod 0600 /dev/bus/usb/") for one in after)


def test_they_tag_a_card_reader_whatever_we_say() -> None:
    """What the test above is worth: a kept reader is one of those that Debian would open."""
    decided = of_a_kind()
    assert [name for name, one in decided.items() if "uaccess" in one.runs] == [
        "reader",
        "onboard reader",
        "reader in its socket",
    ]


def test_without_ours_they_would() -> None:
    """What the tests above are worth: the same devices without our rules are opened."""
    camera = Plugged(port="1-1", product=0x0004, interfaces=(0x06,))
    reader = Plugged(port="1-2", interfaces=(0x0B,))
    decided = ask_udev(["# none"], [camera, reader])
    assert [one.mode for one in decided] == ["0664", "0664"]
    assert "uaccess" in decided[1].tags


@pytest.mark.parametrize(
    "rules",
    [
        rule_set([]),
        rule_set(READER_KEY, [socket('{{ "x" }}\\', ["2-3.1", "1-2"], CAMERA_KEY)]),
        rule_set([node_key(range(0, 256, 3), inverted=True), node_key(range(1, 256, 2))]),
        rule_set([random_key(random.Random(seed)) for seed in range(40)]),
    ],
)
def test_a_newer_udev_finds_nothing_wrong(rules: RuleSet) -> None:
    """udevadm(8), verify: syntax and style."""
    text = "\n".join(udev_rules(rules, [onboard("2-3"), onboard("2-3.4.2")])) + "\n"
    verdict = verify_udev_rules(text)
    assert verdict.accepted, verdict.said
