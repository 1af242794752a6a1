"""The root of an image before a role touches it: made by mmdebstrap, kept by what it is made of."""

from __future__ import annotations

import os
import platform
import shutil
import subprocess
import tempfile
from datetime import UTC, datetime
from pathlib import Path

from seatwright.image.errors import ImageError
from seatwright.image.filesystem import FULL, MIB
from seatwright.image.recipe import Recipe, left_out, sources
from seatwright.image.snapshot import RENEW, Snapshot, held_against
from seatwright.rehearsal.apart import apart
from seatwright.rehearsal.base import locked
from seatwright.rehearsal.errors import run, tail
from seatwright.whole import unfinished_beside

PREFERENCES = "etc/apt/preferences.d/seatwright-snapshot"

HOST_ARCH = {"x86_64": "amd64", "aarch64": "arm64"}
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
    "initrd.img*",
    "vmlinuz*",
    "etc/*-",
    "root/.ansible",
    "run/*",
    "tmp/*",
)
"""What belongs to one machine, or only remembers how the root was made."""


def ensure_base(recipe: Recipe, snapshot: Snapshot | None, cache: Path) -> tuple[Path, Snapshot]:
    """The base of a recipe, made where the cache has none, and the list of its packages.

    Without a ``snapshot`` the newest versions are taken and recorded (the time of recording is
    now). Raises :class:`ImageError`.
    """
    bases = cache / "images" / "bases"
    bases.mkdir(parents=True, exist_ok=True)
    if snapshot is not None:
        place = base_place(recipe, snapshot, cache)
        with locked(bases / f".{place.name}.lock"):
            if not place.is_dir():
                _make(recipe, snapshot, place)
        return place, snapshot
    lock = locked(bases / f".{recipe.name}.lock")
    with lock, unfinished_beside(bases / recipe.name) as unfinished:
        found = _record(recipe, unfinished)
        place = bases / base_name(recipe, found)
        shutil.rmtree(place, ignore_errors=True)
        unfinished.rename(place)
    return place, found


def base_place(recipe: Recipe, snapshot: Snapshot, cache: Path) -> Path:
    """Where the base is kept."""
    return cache / "images" / "bases" / base_name(recipe, snapshot)


def base_name(recipe: Recipe, snapshot: Snapshot) -> str:
    """Its name in the cache."""
    return f"{recipe.name}-{recipe.digest(snapshot.text())[:16]}"


def _make(recipe: Recipe, snapshot: Snapshot, place: Path) -> None:
    """Make a base that has exactly the recorded versions."""
    with unfinished_beside(place) as unfinished:
        _bootstrap(recipe, unfinished, snapshot.epoch, snapshot)
        differences = held_against(installed(unfinished), snapshot)
        if differences:
            shown = "\n".join(f"  {line}" for line in differences[:20])
            raise ImageError(f"The packages are not those of the recorded list:\n{shown}", RENEW)
        clean(unfinished, snapshot.epoch)
        unfinished.rename(place)


def _record(recipe: Recipe, place: Path) -> Snapshot:
    now = datetime.now(UTC).replace(microsecond=0)
    _bootstrap(recipe, place, int(now.timestamp()), None)
    snapshot = Snapshot(recipe.name, now, installed(place))
    clean(place, snapshot.epoch)
    return snapshot


def _bootstrap(recipe: Recipe, place: Path, epoch: int, pins: Snapshot | None) -> None:
    """Let mmdebstrap put the packages into the new directory ``place``."""
    can_run(recipe.arch)
    with tempfile.TemporaryDirectory(prefix="seatwright-") as scratch:
        wanted = Path(scratch, "preferences")
        wanted.write_text(pins.preferences() if pins else "")
        origin = Path(scratch, "debian.sources")  # its name lands in the image
        origin.write_text(sources(recipe.suite))
        argv = ["mmdebstrap", "--quiet", "--mode=root", "--variant=minbase"]
        argv += [f"--architectures={recipe.arch}", "--aptopt=APT::Install-Recommends false"]
        argv += [f"--dpkgopt=path-exclude={path}" for path in left_out()]
        argv += ["--dpkgopt=force-unsafe-io", f"--include={','.join(recipe.packages)}"]
        argv += [
            *(
                f'--setup-hook=install -D "{file}" "$1/{path}"'
                for path, file in recipe.files.items()
            ),
            '--setup-hook=mkdir -p "$1/etc/apt/preferences.d"',
            f'--setup-hook=cp "{wanted}" "$1/{PREFERENCES}"',
            f'--customize-hook=rm "$1/{PREFERENCES}"',
        ]
        argv += [recipe.suite, str(place), str(origin)]
        done = subprocess.run(
            apart(argv),
            env={**os.environ, "SOURCE_DATE_EPOCH": str(epoch), "LC_ALL": "C.UTF-8"},
            capture_output=True,
            text=True,
            stdin=subprocess.DEVNULL,
        )
    if done.returncode != 0:
        hint = "It downloads Debian packages: see that 'apt-get update' works on this machine."
        if pins and "Version" in done.stderr:
            hint = f"A recorded version may be gone from the mirror. {RENEW}"
        if shutil.disk_usage(place.parent).free < SCARCE:
            hint = FULL
        raise ImageError(
            f"mmdebstrap could not make the base {recipe.name}:\n{tail(done.stderr)}", hint
        )


SCARCE = 256 * MIB
"""Bytes left on a disk at which what failed failed for want of more: mmdebstrap does not say it."""


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
