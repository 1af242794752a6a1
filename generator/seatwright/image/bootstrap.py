"""How mmdebstrap makes a root: packages held to the recorded list, one initial RAM disk, last.

The initial RAM disk is made once, after everything is configured, and without the drivers that no
seat finds its root through: a network's and a server's. Made by an emulated processor that is
most of what a base costs, and a card reads it at every start.
"""

from __future__ import annotations

import os
import shlex
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from pathlib import Path

from seatwright.image.errors import ImageError
from seatwright.image.filesystem import FULL, MIB
from seatwright.image.native import PATH, lends, lent
from seatwright.image.recipe import Recipe, left_out, sources
from seatwright.image.snapshot import PREFERENCES, RENEW, Snapshot, parted
from seatwright.rehearsal.apart import apart
from seatwright.rehearsal.errors import tail
from seatwright.render.swap import exchange

MERGED = "/usr/share/mmdebstrap/hooks/maybe-merged-usr"
"""mmdebstrap's own: /bin and /lib are links from the beginning, and no package has to make them."""

OFFERED = """\
export APT_CONFIG="$MMDEBSTRAP_APT_CONFIG" LC_ALL=C
xargs -r apt-cache madison <"{scratch}/names" | tr -d ' ' |
  cut -d'|' --output-delimiter=' ' -f1,2 | sort -u >"{scratch}/offered"
comm -23 "{scratch}/wanted" "{scratch}/offered" >"{scratch}/gone"
! [ -s "{scratch}/gone" ]
"""
"""Ends mmdebstrap, before it has installed anything, where a recorded version is not to be had."""


ARCHIVES = "var/cache/apt/archives"
TAKE = (
    'mkdir -p "$1/{archives}" && find "{kept}" -name "*.deb" -exec cp -l -t "$1/{archives}" {{}} +'
)
KEEP = """\
set -e
APT_CONFIG="$MMDEBSTRAP_APT_CONFIG" apt-get -qq autoclean
mkdir "{new}" && find "$1/{archives}" -name "*.deb" -exec cp -l -t "{new}" {{}} +
"""
"""Packages are given and kept as further names of the same files; what the archive has no more is
not kept."""


def bootstrap(
    recipe: Recipe, place: Path, epoch: int, pins: Snapshot | None, kept: Path
) -> list[str]:
    """Let mmdebstrap put the packages into the new directory ``place``.

    Packages are taken from the directory ``kept`` (on the same file system) where they are there,
    as apt finds by their digests; afterwards it has those that the archive has, too.

    Returns the packages for which the archive has newer versions than the recorded ones, a line
    each. Raises :class:`ImageError`.
    """
    kept.mkdir(parents=True, exist_ok=True)
    with (
        tempfile.TemporaryDirectory(prefix="seatwright-") as made,
        tempfile.TemporaryDirectory(prefix=f".{kept.name}-", dir=kept.parent) as beside,
    ):
        scratch, new = Path(made), Path(beside, "new")
        argv = [*_words(recipe, scratch, pins), *_from_kept(scratch, kept, new)]
        argv += [recipe.suite, str(place), _sources(recipe, scratch)]
        done = subprocess.run(
            apart(argv),
            env={
                **os.environ,
                "SOURCE_DATE_EPOCH": str(epoch),
                "LC_ALL": "C.UTF-8",
                "PATH": PATH,
                "INITRD": "No",  # to the kernel's postinst: not yet
            },
            capture_output=True,
            text=True,
            stdin=subprocess.DEVNULL,
        )
        gone = _lines(scratch / "gone")
        offered = _lines(scratch / "offered")
        if done.returncode == 0:
            exchange(kept, new)
    if done.returncode == 0:
        return newer(pins, offered) if pins else []
    if pins and gone:
        raise moved_on(pins, gone, offered)
    hint = "It downloads Debian packages: see that 'apt-get update' works on this machine."
    if shutil.disk_usage(place.parent).free < SCARCE:
        hint = FULL
    raise ImageError(
        f"mmdebstrap could not make the base {recipe.name}:\n{tail(done.stderr)}", hint
    )


SCARCE = 256 * MIB
"""Bytes left on a disk at which what failed failed for want of more: mmdebstrap does not say it."""


def _lines(path: Path) -> list[str]:
    return path.read_text().splitlines() if path.exists() else []


def _sources(recipe: Recipe, scratch: Path) -> str:
    origin = scratch / "debian.sources"  # its name lands in the image
    origin.write_text(sources(recipe.suite))
    return str(origin)


def _words(recipe: Recipe, scratch: Path, pins: Snapshot | None) -> list[str]:
    """mmdebstrap's command line up to the suite."""
    argv = ["mmdebstrap", "--quiet", "--mode=root", "--variant=minbase"]
    argv += ["--skip=check/qemu"]  # base.can_run has seen to it
    argv += [f"--architectures={recipe.arch}", "--aptopt=APT::Install-Recommends false"]
    argv += [f"--dpkgopt=path-exclude={path}" for path in left_out()]
    argv += ["--dpkgopt=force-unsafe-io", f"--include={','.join(recipe.packages)}"]
    for name, file in recipe.files.items():
        mode = f"{file.stat().st_mode & 0o777:o}"
        argv += [f'--setup-hook=install -D -m {mode} "{file}" "$1/{name}"']
    if pins:
        argv += list(_held(scratch, pins))
    argv += [f"--hook-dir={MERGED}"]
    initrd = 'chroot "$1" update-initramfs -c -k all'
    if lends(recipe.arch):
        return [*argv, *lent(scratch, initrd)]
    return [*argv, f"--customize-hook={initrd}"]


def _from_kept(scratch: Path, kept: Path, new: Path) -> list[str]:
    """Hooks that give mmdebstrap the packages that are there, and keep all that it used."""
    (scratch / "keep").write_text(KEEP.format(new=new, archives=ARCHIVES))
    return [
        "--skip=essential/unlink",
        f"--setup-hook={TAKE.format(kept=kept, archives=ARCHIVES)}",
        f'--customize-hook=sh "{scratch}/keep" "$1"',
    ]


def _held(scratch: Path, pins: Snapshot) -> Iterator[str]:
    """Hooks that let no version in but the recorded ones."""
    (scratch / "preferences").write_text(pins.preferences())
    rows = sorted(pins.versions.items())
    (scratch / "names").write_text("".join(f"{name}\n" for name, _ in rows))
    lines = sorted(f"{name} {version}\n".encode() for name, version in rows)
    (scratch / "wanted").write_bytes(b"".join(lines))
    # What is wanted is known exactly, however old it is.
    old = shlex.quote('Acquire::Check-Valid-Until "false"; Acquire::Check-Date "false";')
    yield f'--setup-hook=echo {old} >>"$MMDEBSTRAP_APT_CONFIG"'
    yield f'--setup-hook=install -D -m 644 {scratch}/preferences "$1/{PREFERENCES}"'
    (scratch / "offer").write_text(OFFERED.format(scratch=scratch))
    yield f'--extract-hook=sh "{scratch}/offer"'
    yield f'--customize-hook=rm "$1/{PREFERENCES}"'


def newer(pins: Snapshot, offered: list[str]) -> list[str]:
    """What the archive has newer than the recorded versions; ``offered`` are names and versions."""
    found = []
    for name, versions in parted(offered).items():
        latest = pins.versions[name]
        for version in versions:
            if _later(version, latest):
                latest = version
        if latest != pins.versions[name]:
            found.append(f"{name}: {pins.versions[name]} recorded, {latest} there")
    return found


def _later(version: str, other: str) -> bool:
    argv = ["dpkg", "--compare-versions", version, "gt", other]
    return subprocess.run(argv, check=False).returncode == 0


def moved_on(pins: Snapshot, gone: list[str], offered: list[str]) -> ImageError:
    """What is said where recorded versions are not in the archive any more."""
    there = parted(offered)
    lines = []
    for row in gone:
        name, _, version = row.partition(" ")
        lines.append(
            f"  {name}: {version} recorded, {' and '.join(there.get(name, ['none']))} there"
        )
    shown = "\n".join(lines[:20] + ([f"  and {len(lines) - 20} more"] if len(lines) > 20 else []))
    return ImageError(
        f"The archive has moved on since the packages of {pins.name} were recorded on "
        f"{pins.recorded:%Y-%m-%d}; gone from it:\n{shown}",
        RENEW,
    )
