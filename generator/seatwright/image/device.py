"""What a card is written to: a device or a file, and whether it may be written at all."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from seatwright.image.errors import ImageError

LARGEST_CARD = 300 * 10**9
"""Bytes; more than that is a disk that somebody keeps things on."""


@dataclass(frozen=True, slots=True)
class Target:
    """A device (or a file, which nobody minds) as this machine knows it; ``size`` in bytes.

    ``number`` is given once, to this device and to the card that is in it (diskseq).
    """

    path: Path
    name: str
    size: int
    model: str
    removable: bool
    in_use: tuple[str, ...]
    system: bool
    protected: bool = False
    number: str = ""

    @property
    def described(self) -> str:
        """Size and model, for the person who is asked."""
        return f"{self.size / 1e9:.1f} GB, {self.model}"


def look(path: Path, root: Path = Path("/")) -> Target:
    """Everything that decides whether ``path`` may be written. Raises :class:`ImageError`.

    ``root`` is the directory that stands for ``/``, for /sys and /proc.
    """
    try:
        found = path.stat()
    except OSError as error:
        raise ImageError(
            f"{path}: {error.strerror}", "Name a device, as lsblk lists them."
        ) from None
    if stat.S_ISREG(found.st_mode):
        return Target(path, path.name, found.st_size, "a file", True, (), False)
    if not stat.S_ISBLK(found.st_mode):
        raise ImageError(f"{path} is neither a block device nor a file.")
    number = f"{os.major(found.st_rdev)}:{os.minor(found.st_rdev)}"
    return look_at_device(path, (root / "sys/dev/block" / number).resolve(), root)


def look_at_device(path: Path, at: Path, root: Path) -> Target:
    """A block device from what the kernel says of it in sysfs."""
    if (at / "partition").exists():
        raise ImageError(
            f"{path} is a partition of {at.parent.name}.",
            f"An image has partitions of its own: name the whole device, /dev/{at.parent.name}.",
        )
    parts = [one for one in (at, *sorted(at.glob(f"{at.name}*"))) if (one / "dev").exists()]
    users = tuple(use for part in parts for use in _uses(part, root))
    return Target(
        path=path,
        name=at.name,
        size=int((at / "size").read_text()) * 512,
        model=_model(at),
        removable=_read(at / "removable") == "1" or _read(at / "device/type") == "SD",
        in_use=users,
        system=any(_carries_system(part, root) for part in parts),
        protected=_read(at / "ro") == "1",
        number=_read(at / "diskseq"),
    )


def _model(at: Path) -> str:
    """What the device calls itself."""
    said = [_read(at / "device" / name) for name in ("vendor", "model", "name")]
    return " ".join(filter(None, said)) or "of unknown make"


def _read(path: Path) -> str:
    try:
        return path.read_text().strip()
    except OSError:
        return ""


def _uses(part: Path, root: Path) -> Iterator[str]:
    """Where a device is mounted, and what else holds it."""
    number = _read(part / "dev")
    for where in _mounts(root, number):
        yield f"{part.name} is mounted at {where}"
    for holder in sorted((part / "holders").glob("*")):
        yield f"{part.name} is used by {holder.name}"
    for line in _read(root / "proc/swaps").splitlines()[1:]:
        if line.split()[0] == f"/dev/{part.name}":
            yield f"{part.name} is swapped to"


def _mounts(root: Path, number: str) -> list[str]:
    """Mount points of a device by its number (proc_pid_mountinfo(5))."""
    rows = [line.split(" ") for line in _read(root / "proc/self/mountinfo").splitlines()]
    return [row[4] for row in rows if row[2] == number]


def _carries_system(part: Path, root: Path) -> bool:
    """Whether this machine itself runs from it, directly or through what holds it."""
    system = {"/", "/boot", "/usr", "/boot/efi"}
    held = [part, *(holder.resolve() for holder in (part / "holders").glob("*"))]
    return any(where in system for one in held for where in _mounts(root, _read(one / "dev")))


def may_write(target: Target, needed: int, insist: str | None) -> None:
    """Refuse a target that should not be written; ``insist`` is the name of one that may be after
    all, though it is fixed or large. Raises :class:`ImageError`.
    """
    if target.system:
        raise ImageError(f"{target.path} is the disk this machine runs from.", NEVER)
    if target.in_use:
        raise ImageError(f"{target.path} is in use: {'; '.join(target.in_use)}.", NEVER)
    if target.size == 0:
        raise ImageError(f"{target.path} ({target.model}) has no card in it.", "Put one in.")
    if target.protected:
        raise ImageError(f"{target.path} is write-protected.", "Cards have a slide at their side.")
    if target.size < needed:
        raise ImageError(
            f"{target.path} has {target.size} bytes, and the image needs {needed}.",
            "Take a larger card.",
        )
    insisted = insist == target.name
    if not target.removable and not insisted:
        raise ImageError(f"{target.path} ({target.described}) is not removable.", _insist(target))
    if target.size > LARGEST_CARD and not insisted:
        raise ImageError(
            f"{target.path} ({target.described}) is larger than any card.", _insist(target)
        )


NEVER = "It is not written to, whatever options are given; name another, as lsblk lists them."


def _insist(target: Target) -> str:
    return f"If everything on it may be lost: --insist {target.name}"
