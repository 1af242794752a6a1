"""What a capture says of all that is not USB: network, disks, input, who asked.

Sources: proc(5) for routes and mounts; Linux Documentation/ABI/testing/sysfs-class-net and
sysfs-block.  This file is copied to the seat as it is: standard library only.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from ipaddress import IPv4Address, IPv4Network, IPv6Address, IPv6Network

from ansible.module_utils.seatwright.survey.seen import Address, Mount, Route, SeenAdapter, SeenDisk, SeenInput
from ansible.module_utils.seatwright.usb.capture import printable
from ansible.module_utils.seatwright.usb.portpath import PortPath, PortPathError, parse_port_path

REJECT = 0x0200
"""RTF_REJECT of linux/route.h: a route that says unreachable."""

Lines = Mapping[str, "list[tuple[int, str]]"]
"""What stands behind each first word (or behind each key of a name), with its line's number."""


def first_value(keys: Lines, key: str) -> str:
    """What stands first behind a key, without blanks around it."""
    found = keys.get(key)
    return found[0][1].strip() if found else ""


def usb_place(path: str) -> PortPath | None:
    """The USB device that a place below /sys/devices hangs on, the nearest one."""
    found: PortPath | None = None
    bus = ""
    for part in path.split("/"):
        if re.fullmatch(r"usb[0-9]{1,2}", part):
            bus = part[3:]
        elif bus and part.startswith(f"{bus}-"):
            try:
                found = parse_port_path(part)
            except PortPathError:
                continue
    return found


def adapter_of(name: str, keys: Lines) -> SeenAdapter:
    place = first_value(keys, "place")
    port = usb_place(place)
    speed = first_value(keys, "speed")
    return SeenAdapter(
        name=name,
        port=port,
        inside=bool(place) and port is None,
        wireless="wireless" in keys,
        lower=tuple(dict.fromkeys(value for _, value in keys.get("lower", []))),
        speed=int(speed) if re.fullmatch("[1-9][0-9]{0,6}", speed) else None,
    )


def disk_of(name: str, keys: Lines) -> SeenDisk:
    return SeenDisk(
        name=name,
        number=first_value(keys, "dev"),
        port=usb_place(first_value(keys, "place")),
        lower=tuple(value for _, value in keys.get("lower", [])),
        mapped=first_value(keys, "mapped"),
        backing=unescaped(first_value(keys, "backing")),
    )


LETTERS = 0xFFFFFFFE
"""Escape to S, as udev's input_id asks for before it calls something a keyboard."""
POINTER = 0b11
"""REL_X and REL_Y, or ABS_X and ABS_Y, of linux/input-event-codes.h: mice, or tablets."""


def input_of(name: str, keys: Lines) -> SeenInput:
    return SeenInput(
        name=name,
        port=usb_place(first_value(keys, "place")),
        title=printable(first_value(keys, "name")),
        keyboard=_bits(first_value(keys, "capabilities/key")) & LETTERS == LETTERS,
        pointer=any(
            _bits(first_value(keys, f"capabilities/{axes}")) & POINTER == POINTER
            for axes in ("rel", "abs")
        ),
        open="open" in keys,
    )


def _bits(text: str) -> int:
    """The lowest word of a bit map; the kernel writes the highest one first."""
    last = text.split()[-1:]
    return int(last[0], 16) if last and re.fullmatch("[0-9a-fA-F]{1,16}", last[0]) else 0


def routes4(rows: Lines) -> Iterator[Route]:
    """proc(5), /proc/net/route: addresses in the machine's order, which is little-endian."""
    form = re.compile(
        r"(\S+)\s+([0-9A-F]{8})\s+[0-9A-F]{8}\s+([0-9A-F]{4,8})\s+\d+\s+\d+\s+(\d+)\s+([0-9A-F]{8})\b.*"
    )
    for _, text in rows.get("route4", []):
        found = form.fullmatch(text)
        if found is None or int(found[3], 16) & REJECT:
            continue
        address = bytes.fromhex(found[2])[::-1]
        bits = int.from_bytes(bytes.fromhex(found[5])[::-1], "big").bit_count()
        network = IPv4Network((address, bits), strict=False)
        yield Route(found[1], network, int(found[4]))


def routes6(rows: Lines) -> Iterator[Route]:
    """The same for IPv6; routes of the machine to itself (lo) lead nowhere."""
    form = re.compile(
        r"([0-9a-f]{32}) ([0-9a-f]{2}) [0-9a-f]{32} [0-9a-f]{2} [0-9a-f]{32} ([0-9a-f]{8})"
        r" [0-9a-f]{8} [0-9a-f]{8} ([0-9a-f]{8})\s+(\S+)\s*"
    )
    for _, text in rows.get("route6", []):
        found = form.fullmatch(text)
        if found is None or int(found[4], 16) & REJECT or found[5] == "lo":
            continue
        if (bits := int(found[2], 16)) <= 128:
            network = IPv6Network((bytes.fromhex(found[1]), bits), strict=False)
            yield Route(found[5], network, int(found[3], 16))


def mounts(rows: Lines) -> Iterator[Mount]:
    """proc(5), /proc/pid/mountinfo: ``id parent major:minor root point options … - kind source``"""
    for _, text in rows.get("mount", []):
        before, separator, after = text.partition(" - ")
        left, right = before.split(" "), after.split(" ")
        if separator and len(left) >= 6 and len(right) >= 3:
            options = dict(one.partition("=")[::2] for one in right[2].split(","))
            yield Mount(
                number=left[2],
                point=unescaped(left[4]),
                kind=right[0],
                source=unescaped(right[1]),
                options={key: unescaped(value) for key, value in options.items()},
            )


def unescaped(text: str) -> str:
    r"""``\040`` is a blank (proc(5))."""
    return re.sub(r"\\([0-7]{3})", lambda found: chr(int(found[1], 8)), text)


def swaps(rows: Lines) -> tuple[str, ...]:
    """Files and devices that are swapped to, without the heading."""
    texts = [text for _, text in rows.get("swap", []) if text.startswith("/")]
    return tuple(unescaped(text.split()[0]) for text in texts)


def pools(rows: Lines) -> dict[str, tuple[str, ...]]:
    """File systems over several disks (btrfs), each with the names of its disks."""
    pools: dict[str, tuple[str, ...]] = {}
    for _, text in rows.get("btrfs", []):
        pool, _, name = text.partition(" ")
        pools[pool] = (*pools.get(pool, ()), name)
    return pools


MACHINES = {"x86_64": "amd64", "aarch64": "arm64", "armv7l": "armhf", "armv8l": "armhf"}
"""What uname says, where dpkg is not there to say it in Debian's words."""


def arch_of(text: str) -> str:
    return printable(MACHINES.get(text, text))


def peer_of(text: str) -> Address | None:
    """Who came in over ssh: the first word of SSH_CONNECTION, without a zone."""
    word = text.partition(" ")[0].partition("%")[0]
    for kind in (IPv4Address, IPv6Address):
        try:
            found = kind(word)
        except ValueError:
            continue
        mapped = found.ipv4_mapped if isinstance(found, IPv6Address) else None
        return mapped or found
    return None


def what_changed(before: str, after: str) -> tuple[str, ...]:
    """What is in one moment and not in the other, without its number."""
    changed = set(before.split()) ^ set(after.split())
    return tuple(sorted({printable(re.split("[=>]", one)[0]) for one in changed}))
