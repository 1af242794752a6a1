"""The disk a twin boots from: a furnished root, provisioned by the rendered roles themselves.

Made once for the same content (root, roles, the site's variables, the twin's own files) and kept
in the cache; an emulator never writes to it.
"""

from __future__ import annotations

import fcntl
import hashlib
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import msgspec

from seatwright.offline.provision import OfflineSite
from seatwright.plan import Plan
from seatwright.rehearsal.apart import apart
from seatwright.rehearsal.base import cache_directory, ensure
from seatwright.rehearsal.errors import need_programs, need_root, run
from seatwright.render.output import output, rendered_place
from seatwright.render.write import compared, write
from seatwright.twin.errors import TwinError
from seatwright.twin.root import TWIN, Furnishing

SIZE = "3G"
KEPT = 6
"""Disks that stay in the cache; the least recently used ones make room."""
SITE = "twin"


@dataclass(frozen=True, slots=True)
class Disk:
    """What an emulator boots: kernel, initial file system, and the disk itself."""

    kernel: Path
    initrd: Path
    image: Path


class Order(msgspec.Struct, frozen=True):
    """What the process in a mount namespace of its own is told to make."""

    layers: tuple[Path, ...]
    work: Path
    seat: str
    variables: dict[str, Any]
    furnishing: Furnishing
    image: Path
    initrd: Path


def ensure_disk(
    plan: Plan,
    seat: str,
    furnishing: Furnishing,
    variables: Mapping[str, object],
    cache: Path | None = None,
) -> Disk:
    """The disk of a seat's twin, made now where the cache has none.

    Raises :class:`RehearsalError` where it cannot be made.
    """
    need_root("Making a twin")
    need_programs({"mke2fs": "e2fsprogs", "qemu-system-x86_64": "qemu-system-x86"})
    layers = ensure(TWIN, cache)
    place = (cache or cache_directory()) / "twins"
    place.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix="seatwright-twin-") as scratch:
        work = Path(scratch)
        content = _render(plan, work)
        key = _digest(content, furnishing.digest(), msgspec.json.encode(variables, order="sorted"))
        image = place / f"{seat}-{key}.ext4"
        initrd = place / f"{TWIN.directory}-{furnishing.digest()[:12]}.initrd"
        with _locked(place / f".{seat}-{key}.lock"):
            if not image.exists() or not initrd.exists():
                told = Order(layers, work, seat, dict(variables), furnishing, image, initrd)
                _make_apart(told)
                _make_room(place, image)
            image.touch()
    return Disk(_kernel(layers), initrd, image)


def _render(plan: Plan, repository: Path) -> bytes:
    """Write the site's repository; its content, as one digest."""
    made = output(SITE, plan)
    (repository / rendered_place(SITE)).parent.mkdir(parents=True)
    write(repository, made, compared(repository, made))
    content = hashlib.sha256()
    for place, tree in sorted(made.directories.items()):
        for path, file in sorted(tree.items()):
            content.update(repr((place, path, file.content, file.mode)).encode())
    return content.digest()


def _digest(*parts: bytes | str) -> str:
    return hashlib.sha256(repr((TWIN.directory, SIZE, *parts)).encode()).hexdigest()[:16]


def _make_apart(order: Order) -> None:
    """Mounts are made where nobody else sees them, and go with the process that made them."""
    spec = order.work / "order.json"
    spec.write_bytes(msgspec.json.encode(order, enc_hook=str))
    argv = [sys.executable, "-m", __name__, str(spec)]
    environment = {**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])}
    done = subprocess.run(
        apart(argv, own_proc=True), capture_output=True, text=True, env=environment
    )
    if done.returncode != 0:
        raise TwinError(f"The twin's disk could not be made:\n{done.stdout}{done.stderr}".rstrip())


def make(order: Order) -> None:
    """Furnish, provision, and write the disk; each file appears whole."""
    upper, inner, root = (order.work / name for name in ("upper", "inner", "root"))
    for path in (upper, inner, root):
        path.mkdir()
    layers = ":".join(map(str, order.layers))
    options = f"lowerdir={layers},upperdir={upper},workdir={inner}"
    run(["mount", "-t", "overlay", "overlay", "-o", options, str(root)])
    order.furnishing.put(root)
    site = OfflineSite(order.work, order.work / rendered_place(SITE))
    site.clients(root, order.seat, variables=order.variables).expect_success()
    with _whole(order.initrd) as target:
        version = _kernel((root,)).name.removeprefix("vmlinuz-")
        run(["chroot", str(root), "mkinitramfs", "-d", "/etc/initramfs-twin", "-o", "/i", version])
        shutil.move(root / "i", target)
    with _whole(order.image) as target:
        without = "^has_journal,^resize_inode"
        run(["mke2fs", "-q", "-t", "ext4", "-O", without, "-d", str(root), str(target), SIZE])


@contextmanager
def _whole(target: Path) -> Iterator[Path]:
    """A place beside the target that becomes it at the end."""
    unfinished = target.with_name(f".{target.name}.unfinished")
    unfinished.unlink(missing_ok=True)
    yield unfinished
    unfinished.rename(target)


def _kernel(layers: tuple[Path, ...]) -> Path:
    found = sorted(path for layer in layers for path in (layer / "boot").glob("vmlinuz-*"))
    if not found:
        raise TwinError(f"There is no kernel in {layers[0]}.")
    return found[-1]


def _make_room(place: Path, used: Path) -> None:
    disks = sorted(place.glob("*.ext4"), key=lambda path: path.stat().st_mtime, reverse=True)
    for old in disks[KEPT:]:
        if old != used:
            old.unlink(missing_ok=True)


@contextmanager
def _locked(path: Path) -> Iterator[None]:
    with path.open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        yield


def main(argv: list[str]) -> int:
    """``python -m seatwright.twin.disk ORDER``, started by :func:`ensure_disk`."""
    from seatwright.rehearsal.errors import RehearsalError

    try:
        make(
            msgspec.json.decode(
                Path(argv[0]).read_bytes(), type=Order, dec_hook=lambda kind, value: kind(value)
            )
        )
    except RehearsalError as error:
        print(error, file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
