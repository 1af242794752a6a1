"""The root of an image before a role touches it: made by mmdebstrap, kept by what it is made of."""

from __future__ import annotations

import os
import platform
import shutil
import subprocess
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from seatwright.image.bootstrap import bootstrap
from seatwright.image.errors import ImageError
from seatwright.image.native import HOST_ARCH
from seatwright.image.recipe import Recipe
from seatwright.image.snapshot import RENEW, Snapshot, held_against
from seatwright.rehearsal.base import locked
from seatwright.rehearsal.errors import run
from seatwright.whole import unfinished_beside

Say = Callable[[str], None]
"""Is told what goes on, a sentence each."""

EMULATORS = {"arm64": "qemu-aarch64", "amd64": "qemu-x86_64"}
"""How binfmt_misc calls the emulator of a processor."""

NEVER_IN_AN_IMAGE = (
    "etc/machine-id",
    "etc/hostname",
    "etc/ssh/ssh_host_*",
    "var/lib/dbus/machine-id",
    "var/lib/systemd/random-seed",
    "var/cache/apt/*",
    "var/cache/debconf/*-old",
    "var/cache/fontconfig/*",
    "var/cache/ldconfig/aux-cache",
    "var/lib/apt/lists/*",
    "var/lib/dpkg/*-old",
    "var/log/*",
    "boot/*.old",
    "etc/*-",
    "root/.ansible",
    "run/*",
    "tmp/*",
)
"""What belongs to one machine, or only remembers how the root was made."""


@dataclass(frozen=True, slots=True)
class Origin:
    """Where a base comes from.

    ``digest`` tells bases of different lists (their text) apart. ``fill`` puts the root into a
    directory, with times up to an epoch (seconds) and the versions of a list, the newest without
    one; it returns what the archive has newer than the list, a line each.
    """

    name: str
    digest: Callable[[str], str]
    fill: Callable[[Path, int, Snapshot | None], list[str]]


def ensure_base(
    recipe: Recipe, snapshot: Snapshot | None, cache: Path, say: Say = lambda text: None
) -> tuple[Path, Snapshot]:
    """The base of a recipe, made by mmdebstrap where the cache has none: see :func:`ensure`."""

    def fill(place: Path, epoch: int, pins: Snapshot | None) -> list[str]:
        can_run(recipe.arch)
        kept = cache / "images/packages" / f"{recipe.suite}-{recipe.arch}"
        return bootstrap(recipe, place, epoch, pins, kept)

    return ensure(Origin(recipe.name, recipe.digest, fill), snapshot, cache, say)


def ensure(
    origin: Origin, snapshot: Snapshot | None, cache: Path, say: Say
) -> tuple[Path, Snapshot]:
    """A base, made where the cache has none, and the list of its packages.

    Without a ``snapshot`` the newest versions are taken and recorded (the time of recording is
    now). Says where the archive has newer ones than a ``snapshot``. Raises :class:`ImageError`.
    """
    bases = cache / "images" / "bases"
    bases.mkdir(parents=True, exist_ok=True)
    if snapshot is not None:
        place = base_place(origin, snapshot, cache)
        with locked(bases / f".{place.name}.lock"):
            if not place.is_dir():
                _make(origin, snapshot, place, say)
        return place, snapshot
    lock = locked(bases / f".{origin.name}.lock")
    with lock, unfinished_beside(bases / origin.name) as unfinished:
        found = _record(origin, unfinished)
        place = bases / base_name(origin, found)
        with locked(bases / f".{place.name}.lock"):
            shutil.rmtree(place, ignore_errors=True)
            unfinished.rename(place)
    return place, found


def base_place(origin: Origin | Recipe, snapshot: Snapshot, cache: Path) -> Path:
    """Where the base is kept."""
    return cache / "images" / "bases" / base_name(origin, snapshot)


def base_name(origin: Origin | Recipe, snapshot: Snapshot) -> str:
    """Its name in the cache."""
    return f"{origin.name}-{origin.digest(snapshot.text())[:16]}"


def _make(origin: Origin, snapshot: Snapshot, place: Path, say: Say) -> None:
    """Make a base that has exactly the recorded versions."""
    with unfinished_beside(place) as unfinished:
        newer = origin.fill(unfinished, snapshot.epoch, snapshot)
        differences = held_against(installed(unfinished), snapshot)
        if differences:
            shown = "\n".join(f"  {line}" for line in differences[:20])
            raise ImageError(f"The packages are not those of the recorded list:\n{shown}", RENEW)
        clean(unfinished, snapshot.epoch)
        unfinished.rename(place)
    if newer:
        shown = "\n".join(f"  {line}" for line in newer)
        say(f"Debian has newer packages than the recorded list (--renew takes them):\n{shown}")


def _record(origin: Origin, place: Path) -> Snapshot:
    now = datetime.now(UTC).replace(microsecond=0)
    origin.fill(place, int(now.timestamp()), None)
    snapshot = Snapshot(origin.name, now, installed(place))
    clean(place, snapshot.epoch)
    return snapshot


def installed(root: Path) -> dict[str, str]:
    """Versions of a root's packages, by name."""
    argv = ["dpkg-query", f"--admindir={root}/var/lib/dpkg", "-W", "-f"]
    listed = run([*argv, "${db:Status-Status} ${Package} ${Version}\n"])
    rows = [line.split(" ") for line in listed.splitlines()]
    return {name: version for status, name, version in rows if status == "installed"}


def clean(root: Path, epoch: int) -> None:
    """Take out what must not be in an image, and let no time be later than ``epoch``."""
    for pattern in NEVER_IN_AN_IMAGE:
        for found in root.glob(pattern):
            if found.is_dir() and not found.is_symlink():
                shutil.rmtree(found)
            else:
                found.unlink()
    (root / "etc/machine-id").write_text("")  # a new one, and no wizard (machine-id(5))
    (root / "etc/hostname").write_text("localhost\n")
    (root / "etc/resolv.conf").unlink(missing_ok=True)
    (root / "etc/resolv.conf").symlink_to("../run/systemd/resolve/stub-resolv.conf")
    clamp(root, epoch)


def clamp(root: Path, epoch: int) -> None:
    """Set every later modification time below ``root`` to ``epoch`` (seconds)."""
    limit = epoch * 10**9
    for directory, names, files in os.walk(root, topdown=False):
        for name in [*files, *names]:
            _clamp_one(os.path.join(directory, name), limit)
    _clamp_one(str(root), limit)


def _clamp_one(path: str, limit: int) -> None:
    if os.lstat(path).st_mtime_ns > limit:
        os.utime(path, ns=(limit, limit), follow_symlinks=False)


def can_run(arch: str) -> None:
    """See that this machine runs programs of ``arch``; another one's through qemu-user.

    Raises :class:`ImageError`.
    """
    own = HOST_ARCH.get(platform.machine())
    if own == arch:
        return
    registry = Path("/proc/sys/fs/binfmt_misc")
    if not (registry / "register").exists():
        subprocess.run(["mount", "-t", "binfmt_misc", "binfmt_misc", str(registry)], check=False)
    if not (registry / EMULATORS[arch]).exists() and shutil.which("update-binfmts"):
        subprocess.run(["update-binfmts", "--enable"], check=False, capture_output=True)
    if not (registry / EMULATORS[arch]).exists():
        raise ImageError(
            f"This machine ({own}) cannot run programs of {arch}.",
            "apt-get install qemu-user-static binfmt-support",
            missing=True,
        )
