#!/usr/bin/python3 -IB
"""First boot of an image: finds out which seat this is, and makes the image that seat.

The table in the image says what every seat of this model is told.  A seat is known by its board's
serial number or its network adapter's address where the table has them, else by the file
``seatwright-seat.json`` on the boot partition (``seatwright card`` writes it), else by what
somebody says over ssh (``seatwright enrol``); until one of them is there, its identifiers are shown
on the screen.  Every file is written whole and the mark that ends it all comes last, so that a
power cut at any moment leaves something that the next boot finishes.

    identity    find out, write, and mark (the default); waits for as long as it takes
    keys        make this machine's own host keys, where they are not there or are damaged
    grow        let the root take the whole card
    tell NAME   say over ssh which seat this is
"""

from __future__ import annotations

import hashlib
import hmac
import json
import os
import re
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

Row = dict[str, Any]
"""An object of the table, or what the card's file says."""

TABLE = Path("/usr/lib/seatwright-image/table.json")
DONE = Path("/var/lib/seatwright-image/seat")
TOLD = Path("/var/lib/seatwright-image/told")
PROOF = Path("/var/lib/seatwright-image/proof")
CARD = Path("/boot/efi/seatwright-seat.json")
SCREEN = Path("/dev/tty1")
SERIALS = (
    "sys/class/dmi/id/board_serial",
    "sys/class/dmi/id/product_serial",
    "proc/device-tree/serial-number",
)
ADAPTERS = 10.0
"""Seconds that network adapters are given to appear: what they say goes before what the card says,
and until then nothing is shown."""
AGAIN = 2.0
"""Seconds between two looks while nobody has said which seat this is."""
NAME = re.compile(r"[a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?")


def main(argv: list[str]) -> int:
    """One command; see the module's text."""
    command, *words = argv or ["identity"]
    if command == "keys":
        return make_keys()
    if command == "grow":
        return grow()
    if command == "tell" and len(words) == 1:
        return tell(words[0])
    if command != "identity" or words:
        print(__doc__, file=sys.stderr)
        return 2
    table = json.loads(TABLE.read_text(encoding="utf-8"))
    seat = wait_for_seat(table)
    take_seat(table, seat)
    prove(seat["name"])
    write(DONE, f"{seat['name']}\n")
    print(f"this is {seat['name']}. {key_line()}", flush=True)
    return 0


def wait_for_seat(table: Row) -> Row:
    """The row of this seat, as soon as anything says which it is."""
    began = time.monotonic()
    shown: tuple[str, ...] = ()
    by_adapter = any(row["mac"] for row in table["seats"])
    late = False
    while (seat := find_seat(table, late or not by_adapter)) is None:
        look_for_card()
        known = identifiers()
        now = (*known, where_line())
        late = time.monotonic() - began > ADAPTERS
        if late and now != shown:
            show(known)
            shown = now
        time.sleep(AGAIN if shown else 0.2)
    return seat


def look_for_card() -> None:
    """Have the boot partition mounted, where systemd gave up waiting for it at a slow start."""
    if not CARD.parent.is_mount():
        argv = ["systemctl", "start", "--no-block", "boot-efi.mount"]
        subprocess.run(argv, capture_output=True, check=False)


def find_seat(table: Row, by_card: bool) -> Row | None:
    """The row that this board is, else that the card, where ``by_card``, or a person names."""
    serials, addresses = board_serials(), adapter_addresses()
    rows: list[Row] = table["seats"]
    for row in rows:
        if row["serial"] in serials or row["mac"] in addresses:
            return row
    name = (card_file().get("seat") if by_card else None) or read(TOLD)
    return next((row for row in rows if row["name"] == name), None)


def board_serials(root: Path = Path("/")) -> set[str]:
    """What the board calls itself; fillers that many boards share are none."""
    found = {read(root / path).strip("\0") for path in SERIALS}
    return {serial for serial in found if len(set(serial)) > 2 and " " not in serial}


def adapter_addresses(root: Path = Path("/")) -> set[str]:
    """Addresses of the network adapters that are hardware."""
    found = {read(one.parent / "address") for one in root.glob("sys/class/net/*/device")}
    return found - {"", "00:00:00:00:00:00"}


def identifiers() -> tuple[str, ...]:
    """Everything by which the site can know this board, a line each."""
    addresses = [f"MAC {one}" for one in sorted(adapter_addresses())]
    return (*addresses, *(f"S/N {one}" for one in sorted(board_serials())))


def card_file() -> Row:
    """What ``seatwright card`` wrote; a damaged file says nothing."""
    try:
        found = json.loads(read(CARD))
    except ValueError:
        return {}
    return found if isinstance(found, dict) else {}


def read(path: Path) -> str:
    """A small text, without blanks around it; empty where it cannot be read."""
    try:
        return path.read_bytes()[:65536].decode("utf-8", "replace").strip()
    except OSError:
        return ""


def show(lines: tuple[str, ...]) -> None:
    """The identifiers on the screen, large, and on the console for whoever has one."""
    first, last = "This seat does not know yet which it is. Its board:", (where_line(), key_line())
    print("\n".join([first, *lines, *last]), flush=True)
    try:
        with open(SCREEN, "w", encoding="utf-8") as screen:
            text = large("\n".join(lines or ("no network adapter",)), *screen_size(screen.fileno()))
            screen.write("\033c" + "\n".join([first, "", text, "", *last]) + "\n")
    except OSError as error:
        print(f"the screen cannot be written to: {error}", flush=True)


FONTS = ("banner", "standard", "small", "mini")
"""figlet's, the largest first."""


def large(text: str, columns: int, rows: int) -> str:
    """Text in the largest letters that a screen has room for, beside a few lines of small ones; in
    shorter lines, where that makes room for larger letters."""
    shorter = MAC.sub(r"\1\n\2", LABEL.sub(r"\1\n", text))
    found = text
    for font in FONTS:
        for shape in (text, shorter):
            found = drawn(shape, font, columns)
            fits = found == drawn(shape, font, 9999)
            if fits and len(found.splitlines()) <= rows - 6:
                return found
    return found


LABEL = re.compile(r"^(\S+) ", re.MULTILINE)
MAC = re.compile(r"(..:..:..:)(..:..:..)")


def drawn(text: str, font: str, columns: int) -> str:
    """What figlet makes of it."""
    argv = ["figlet", "-w", str(columns), "-f", font]
    return subprocess.run(argv, input=text, capture_output=True, text=True).stdout.rstrip()


def screen_size(descriptor: int) -> tuple[int, int]:
    """Columns and rows of a screen; what the smallest have where it does not say."""
    try:
        found = os.get_terminal_size(descriptor)
    except OSError:
        return 80, 25
    return found.columns or 80, found.lines or 25


def where_line() -> str:
    """Where this machine is in the network now, for whoever comes in over ssh."""
    said = subprocess.run(["hostname", "-I"], capture_output=True, text=True).stdout.split()
    return f"In the network as {', '.join(said)}" if said else "Not in the network yet"


def key_line() -> str:
    """The host key's fingerprint, for whoever enrols this seat."""
    key = Path("/etc/ssh/ssh_host_ed25519_key.pub")
    done = subprocess.run(["ssh-keygen", "-lf", str(key)], capture_output=True, text=True)
    return f"Host key: {done.stdout.split()[1]}" if done.returncode == 0 else "No host key yet"


def take_seat(table: Row, seat: Row) -> None:
    """Write everything the seat is told."""
    for entry in seat["directories"]:
        make_directory(Path(entry["path"]), int(entry["mode"], 8))
    for entry in seat["links"]:
        link(Path(entry["path"]), entry["target"])
    for entry in seat["files"]:
        write(Path(entry["path"]), table["contents"][entry["sha256"]], int(entry["mode"], 8))
    write(Path("/etc/hostname"), f"{seat['name']}\n")
    subprocess.run(["hostname", seat["name"]], check=False)
    if Path("/run/udev/control").exists():
        subprocess.run(["udevadm", "control", "--reload"], check=False)
        matches = ["--subsystem-match=usb", "--property-match=DEVTYPE=usb_device"]
        subprocess.run(["udevadm", "trigger", "--settle", "--action=change", *matches], check=False)


def prove(name: str) -> None:
    """Show with the card's one-time token that the host key is this seat's; then forget the token.

    Whoever has no token can neither make the proof nor use it again.
    """
    card = card_file()
    token = card.get("token")
    if card.get("seat") != name or not isinstance(token, str):
        return
    key = " ".join(read(Path("/etc/ssh/ssh_host_ed25519_key.pub")).split()[:2])
    proof = hmac.new(token.encode(), f"{name} {key}".encode(), hashlib.sha256).hexdigest()
    write(PROOF, f"{proof}\n")
    write(TOLD, f"{name}\n")  # the card's file system may not survive a power cut in what follows
    mounted = ["mount", "-o", "remount,rw", str(CARD.parent)]
    if subprocess.run(mounted, check=False).returncode == 0:
        write(CARD, json.dumps({"seat": name}) + "\n")
        subprocess.run(["mount", "-o", "remount,ro", str(CARD.parent)], check=False)


def tell(name: str) -> int:
    """Remember what somebody said; the waiting program looks again by itself."""
    if not NAME.fullmatch(name):
        print(f"{name!r} is no name of a seat", file=sys.stderr)
        return 2
    rows = json.loads(TABLE.read_text(encoding="utf-8"))["seats"]
    if name not in {row["name"] for row in rows}:
        print(f"this image has no seat {name}; it has been made for others", file=sys.stderr)
        return 1
    write(TOLD, f"{name}\n")
    return 0


def make_keys() -> int:
    """This machine's own host keys. A power cut can leave one empty: such a one is made anew."""
    for private in Path("/etc/ssh").glob("ssh_host_*_key"):
        good = subprocess.run(["ssh-keygen", "-yf", str(private)], capture_output=True)
        public = private.with_name(f"{private.name}.pub")
        if good.returncode != 0 or not read(public):
            private.unlink()
            public.unlink(missing_ok=True)
    own = Path("/etc/ssh/ssh_host_ed25519_key")
    if own.exists():
        return 0
    # One kind is enough; the others only take a small board's time.
    argv = ["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-C", "seat", "-f", str(own)]
    done = subprocess.run(argv)
    os.sync()
    return done.returncode


def grow() -> int:
    """Give the last partition what the card has left, and its file system with it.

    With a table of the old kind that is one sector written, so there is no moment in between.
    """
    device, number = last_partition()
    whole = int(read(Path(f"/sys/class/block/{device.name}/size")))
    part = partition(device, number)
    at = Path(f"/sys/class/block/{part.name}")
    used = int(read(at / "start")) + int(read(at / "size"))
    if whole - used > GRAIN:
        argv = ["sfdisk", "--no-reread", "--no-tell-kernel", "-N", str(number), str(device)]
        subprocess.run(argv, input=", +\n", text=True, check=True, stdout=subprocess.DEVNULL)
        subprocess.run(["partx", "--update", "--nr", str(number), str(device)], check=True)
    return subprocess.run(["resize2fs", str(part)], stdout=subprocess.DEVNULL).returncode


GRAIN = 2048
"""Sectors that a partition may be short of the card: partitions begin at whole mebibytes."""


def last_partition() -> tuple[Path, int]:
    """The device that the root is on, and the number of its last partition."""
    sources = [
        subprocess.run(["findmnt", "-no", "SOURCE", place], capture_output=True, text=True).stdout
        for place in ("/media/root-ro", "/")
    ]
    root = next(Path(one.strip()).name for one in sources if one.startswith("/dev/"))
    sys_block = Path("/sys/class/block")
    device = (sys_block / root).resolve().parent.name
    numbers = [int(read(one)) for one in (sys_block / device).glob("*/partition")]
    return Path("/dev", device), max(numbers)


def partition(device: Path, number: int) -> Path:
    """A partition's node; a ``p`` stands between where the device's name ends with a digit."""
    between = "p" if device.name[-1].isdigit() else ""
    return Path(f"{device}{between}{number}")


def make_directory(path: Path, mode: int) -> None:
    """A directory where there is none; what is there keeps its mode."""
    if not path.is_dir():
        path.mkdir(parents=True)
        path.chmod(mode)


def link(path: Path, target: str) -> None:
    """A symbolic link, put in place at once."""
    waiting = path.with_name(f".{path.name}.new")
    waiting.unlink(missing_ok=True)
    waiting.symlink_to(target)
    os.replace(waiting, path)


def write(path: Path, text: str, mode: int = 0o644) -> None:
    """A file, whole or not at all, and there to stay."""
    path.parent.mkdir(parents=True, exist_ok=True)
    waiting = path.with_name(f".{path.name}.new")
    with open(waiting, "w", encoding="utf-8", newline="") as file:
        file.write(text)
        file.flush()
        os.fchmod(file.fileno(), mode)
        os.fsync(file.fileno())
    os.replace(waiting, path)
    for directory in up_to_root(path.parent):
        descriptor = os.open(directory, os.O_RDONLY | os.O_DIRECTORY)
        os.fsync(descriptor)
        os.close(descriptor)


def up_to_root(path: Path) -> Iterator[Path]:
    """A directory and the one that holds it, whose entries must last."""
    yield path
    yield path.parent


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
