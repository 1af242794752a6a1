"""What an image is made of, before anything is made."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass

from seatwright.rehearsal.base import MACHINE_PACKAGES, UNREAD, role_packages
from seatwright.render.variables import SEAT_BASE

FORMAT = 1
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
    "initramfs-tools",
    "kmod",
    "systemd-boot-efi",
    "systemd-resolved",
    "systemd-timesyncd",  # certificates need the time
    "zstd",
)
"""What an image has besides what any seat has: it must boot and find its network by itself."""

READ_ONLY_PACKAGES = ("overlayroot",)
"""What keeps the root unwritten: it lays a writable file system over it in the initial RAM disk."""

UNUSED_DRIVERS = (
    "drivers/infiniband",
    "drivers/isdn",
    "drivers/media",
    "drivers/net/ethernet/chelsio",
    "drivers/net/ethernet/mellanox",
    "drivers/net/wireless",
    "net/wireless",
)
"""Parts of the kernel package that no seat loads; a seat's network is a cable."""


@dataclass(frozen=True, slots=True)
class Recipe:
    """A base: Debian suite, architecture, and packages on top of the smallest system."""

    suite: str
    arch: str
    packages: tuple[str, ...]

    @property
    def name(self) -> str:
        """What it is called in file names."""
        return f"{self.suite}-{self.arch}"

    def digest(self, snapshot: str) -> str:
        """What a base of it is known by; ``snapshot`` is the text of the recorded list."""
        parts = (FORMAT, self.suite, self.arch, sorted(self.packages), UNUSED_DRIVERS, snapshot)
        return hashlib.sha256(repr(parts).encode()).hexdigest()


def recipe(suite: str, arch: str, further: tuple[str, ...] = (), read_only: bool = False) -> Recipe:
    """The recipe of a seat's base; ``further`` are packages that the site asks for."""
    wanted = {
        *MACHINE_PACKAGES,
        *role_packages(SEAT_BASE),
        *IMAGE_PACKAGES,
        KERNELS[arch],
        *(READ_ONLY_PACKAGES if read_only else ()),
        *further,
    }
    return Recipe(suite, arch, tuple(sorted(wanted)))


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
