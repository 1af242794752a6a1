"""What an image is made of, before anything is made."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path

from seatwright.plan import Plan
from seatwright.rehearsal.base import MACHINE_PACKAGES, UNREAD, role_packages
from seatwright.render.variables import PULL_PACKAGES, SEAT_BASE

FORMAT = 2
"""Counts up when a base of the same recipe is made differently."""

KERNELS = {"amd64": "linux-image-amd64", "arm64": "linux-image-arm64"}
"""Debian's kernel for each processor that images are made for."""

LOADERS = {
    "amd64": ("systemd-bootx64.efi", "BOOTX64.EFI"),
    "arm64": ("systemd-bootaa64.efi", "BOOTAA64.EFI"),
}
"""The boot loader's file in its package, and the name under which firmware looks for it (UEFI
specification, 3.5.1.1)."""

IMAGE_PACKAGES = (
    "ca-certificates",
    "e2fsprogs",  # grows the root
    "fdisk",  # grows its partition
    "figlet",  # shows a new seat's identifiers, large
    "kmod",
    "systemd-resolved",
    "systemd-timesyncd",  # certificates need the time
)
"""What an image has besides what any seat has: it must find its network and itself."""

BOOT_PACKAGES = ("initramfs-tools", "systemd-boot-efi", "zstd")
"""What boots it, where no board's own image file does."""

READ_ONLY_PACKAGES = ("busybox", "overlayroot")
"""What keeps the root unwritten: it lays a writable file system over it in the initial RAM disk, by
a script that the shell there by itself cannot run."""

ONSEAT = Path(__file__).with_name("onseat")
FILES = {
    "etc/initramfs-tools/conf.d/seatwright": ONSEAT / "initramfs/conf",
    "etc/initramfs-tools/hooks/seatwright-drivers": ONSEAT / "initramfs/drivers",
    "etc/kernel-img.conf": ONSEAT / "kernel-img.conf",
}
"""What is there before any package, by path: it says what the kernel's packages make of it."""

READ_ONLY_FILES = {
    "etc/initramfs-tools/hooks/seatwright-state": ONSEAT / "initramfs/hook",
    "etc/initramfs-tools/scripts/local-premount/seatwright-state": ONSEAT / "initramfs/state",
}
"""What the initial RAM disk of such a seat is made with, besides."""

UNUSED_DRIVERS = (
    "drivers/infiniband",
    "drivers/isdn",
    "drivers/media",
    "drivers/net/ethernet/che*",  # both of servers only, and large
    "drivers/net/ethernet/mel*",
    "drivers/net/wireless",
    "net/wireless",
)
"""Parts of the kernel package that no seat loads; a seat's network is a cable."""


@dataclass(frozen=True, slots=True)
class Recipe:
    """A base: Debian suite, architecture, and packages on top of the smallest system.

    ``kind`` tells it from others of its suite and architecture, which have other packages.
    """

    suite: str
    arch: str
    packages: tuple[str, ...]
    kind: str = ""

    @property
    def name(self) -> str:
        """What it is called in file names."""
        return f"{self.suite}-{self.arch}{self.kind}"

    def digest(self, snapshot: str) -> str:
        """What a base of it is known by; ``snapshot`` is the text of the recorded list."""
        parts = (FORMAT, self.suite, self.arch, sorted(self.packages), UNUSED_DRIVERS, snapshot)
        files = [(path, file.read_text()) for path, file in self.files.items()]
        return hashlib.sha256(repr((*parts, *files)).encode()).hexdigest()

    @property
    def files(self) -> dict[str, Path]:
        """Files that are there before any package, by path."""
        read_only = {*READ_ONLY_PACKAGES} <= {*self.packages}
        return {**FILES, **(READ_ONLY_FILES if read_only else {})}


def seat_packages(pulls: bool) -> set[str]:
    """What every image has, whatever boots it; ``pulls``: its seats fetch what was rendered."""
    further = PULL_PACKAGES if pulls else ()
    return {*MACHINE_PACKAGES, *role_packages(SEAT_BASE), *IMAGE_PACKAGES, *further}


def recipe(
    suite: str,
    arch: str,
    further: tuple[str, ...] = (),
    read_only: bool = False,
    pulls: bool = False,
) -> Recipe:
    """The recipe of a seat's base; ``further`` are packages that the model asks for."""
    wanted = {
        *seat_packages(pulls),
        *BOOT_PACKAGES,
        KERNELS[arch],
        *(READ_ONLY_PACKAGES if read_only else ()),
    }
    others = sorted({*further} - wanted)
    kind = "-read-only" if read_only else ""
    if others:
        kind += f"-{hashlib.sha256(' '.join(others).encode()).hexdigest()[:8]}"
    return Recipe(suite, arch, tuple(sorted([*wanted, *others])), kind)


def recipe_of(plan: Plan, model: str, arch: str) -> Recipe:
    """The recipe of a model's base for a processor, its own or one that stands in for it."""
    image = plan.models[model].image
    pulls = plan.settings.pull is not None
    return recipe(image.suite, arch, image.packages, image.read_only, pulls)


def left_out() -> list[str]:
    """Paths that dpkg does not unpack, as its option ``path-exclude`` takes them."""
    unread = [f"/usr/share/{name}/*" for name in UNREAD]
    return unread + [f"/lib/modules/*/kernel/{path}/*" for path in UNUSED_DRIVERS]


SECURITY = "http://deb.debian.org/debian-security"
MIRROR = "http://deb.debian.org/debian"
KEYRING = "/usr/share/keyrings/debian-archive-keyring.gpg"


def sources(suite: str) -> str:
    """apt's sources of an image (deb822); they stay in it, so that a seat can be updated."""
    stanzas = ((MIRROR, f"{suite} {suite}-updates"), (SECURITY, f"{suite}-security"))
    return "\n".join(
        f"Types: deb\nURIs: {uri}\nSuites: {suites}\nComponents: main\nSigned-By: {KEYRING}\n"
        for uri, suites in stanzas
    )
