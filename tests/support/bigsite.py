"""A big site that is the same every time: what the figures for speed are measured on.

Everything in it is computed from numbers, so two runs (and two machines) write the same bytes.
It has no findings.  ``python -m support.bigsite FOLDER`` (from tests/) writes one to look at.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

POLICIES = 40
HOSTS = 60
ROOMS_PER_FILE = 20
PORTS_PER_HOST = 1000

CLASSES = ("mass-storage", "printer", "image", "video", "audio", "smart-card", "0x58", "diagnostic")
ARCHITECTURES = ("arm64", "amd64", "armhf")


def write_big_site(folder: Path, seats: int = 10_000, rooms: int = 500, models: int = 50) -> Path:
    """Write the files below ``folder``; returns the path of the site's file."""
    (folder / "models").mkdir(parents=True, exist_ok=True)
    (folder / "rooms").mkdir(exist_ok=True)
    write(folder / "site.yml", site(rooms))
    write(folder / "models" / "all.yml", model_lines(models))
    for first in range(0, rooms, ROOMS_PER_FILE):
        numbers = range(first, min(first + ROOMS_PER_FILE, rooms))
        text = room_lines(numbers, seats, rooms, models)
        write(folder / "rooms" / f"rooms-{first:04d}.yml", text)
    return folder / "site.yml"


def write(path: Path, lines: Iterator[str]) -> None:
    """Write lines to a file."""
    path.write_text("".join(f"{line}\n" for line in lines), encoding="utf-8")


def site(rooms: int) -> Iterator[str]:
    """The site's file: hosts, peripherals, policies, a promise for each room."""
    yield "seatwright: 1"
    yield "site: A Big Site"
    yield "files: [models/*.yml, rooms/*.yml]"
    yield "hosts:"
    for host in range(HOSTS):
        ports = f"{20000}-{20000 + PORTS_PER_HOST - 1}"
        yield f'  host-{host}: {{address: host-{host}.example, listen: "::", spice-ports: {ports}}}'
    yield "peripherals:"
    for number in range(POLICIES):
        usb_class = CLASSES[number % len(CLASSES)]
        yield (
            f'  device-{number}: {{id: "1209:{3 + number % 14:04x}", bcdDevice: "{number}.00", '
            f'interfaces: ["{usb_class}", hid], needs: {1 + number % 9} MB/s}}'
        )
    yield "policies:"
    for number in range(POLICIES):
        yield from policy_lines(number)
    yield "promises:"
    for room in range(rooms):
        device = f"device-{policy_of(room)}"
        yield f"  - {{room: room-{room}, socket: front, device: {device}, redirect: true}}"


def policy_lines(number: int) -> Iterator[str]:
    """A policy with its own peripheral, a class, a vendor, an id, and lines for a socket."""
    yield f"  policy-{number}:"
    yield f"    redirect: [device-{number}, {CLASSES[number % len(CLASSES)]}]"
    yield f'    offer: ["1209:*", {CLASSES[(number + 1) % len(CLASSES)]}]'
    yield f'    keep: [{{id: "1209:0010", class: hid}}, device-{(number + 1) % POLICIES}]'
    yield f"    sockets: {{back: {{keep: [{CLASSES[(number + 1) % len(CLASSES)]}]}}}}"


def policy_of(room: int) -> int:
    """The policy of a room, by number."""
    return room % POLICIES


def model_lines(models: int) -> Iterator[str]:
    """Models that differ in architecture and wiring."""
    yield "models:"
    for number in range(models):
        hub = 1 + number % 4
        yield f"  model-{number}:"
        yield f"    arch: {ARCHITECTURES[number % len(ARCHITECTURES)]}"
        yield f"    link: {1 + number % 2} Gb/s"
        yield "    onboard:"
        yield f'      - {{port: "2-{hub}", id: "1209:0001", class: hub}}'
        yield f'      - {{port: "2-{hub}.4", id: "1209:0002", carries: network}}'
        yield "    sockets:"
        yield f'      - {{port: "2-{hub}.1", label: front, speed: super}}'
        yield '      - {port: ["1-1", "3-1"], label: back}'


def room_lines(numbers: range, seats: int, rooms: int, models: int) -> Iterator[str]:
    """Rooms of one file, their seats one a line; every fifth seat says something of its own."""
    yield "rooms:"
    for room in numbers:
        yield f"  room-{room}:"
        yield f"    title: Room {room}"
        yield f"    policy: policy-{policy_of(room)}"
        yield f"    model: model-{room % models}"
        yield f"    host: host-{room % HOSTS}"
        yield f"    ports: {2 + room % 5}"
        yield "    seats:"
        share = seats // rooms + (room < seats % rooms)
        for seat in range(share):
            name = f"r{room}-s{seat}"
            if seat % 5 == 4:
                other = (room + seat) % models
                yield f"      - {{name: {name}, model: model-{other}, address: {name}.example}}"
            else:
                yield f"      - {name}"


if __name__ == "__main__":
    print(write_big_site(Path(sys.argv[1])))
