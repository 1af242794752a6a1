"""This machine's own tools, lent to a root of another processor while its packages are installed.

Most of what installing packages costs is small programs started by the thousand, and an emulator is
slowest at just that. So the root's ``PATH`` begins with a directory of tools that run here as they
are, and the shell is mounted over its own: unwritable, in the mount namespace of mmdebstrap alone,
with libraries in places that the other processor's do not use (Debian's multiarch). No tool is lent
that says what the processor is.
"""

from __future__ import annotations

import platform
import shlex
from pathlib import Path

HOST_ARCH = {"x86_64": "amd64", "aarch64": "arm64"}
"""Debian's names of machines that make images."""

LENDERS = {"x86_64": ("x86_64-linux-gnu", "lib64", "ld-linux-x86-64.so.2")}
"""Machines that lend: where their libraries are below /usr/lib, and in which directory below the
root and /usr their programs look for which loader."""

SYSTEM = "/usr/sbin:/usr/bin:/sbin:/bin"
"""Where Debian's own programs are, for Debian's own Python and Perl."""

PLACE = ".lent"
"""Where the tools are, below the root; nothing of it stays."""

TOOLS = """
basename cat chgrp chmod chown cmp comm cp cpio cut date dd diff dirname dpkg-deb dpkg-split egrep
expr false fgrep find grep gzip head id install ln ls md5sum mkdir mktemp modinfo mv readlink
realpath rm rmdir sed seq sha256sum sleep sort stat tail tar tee test touch tr true uniq wc xargs xz
zstd depmod
"""

PATH = f"/{PLACE}/bin:{SYSTEM}"
"""Where everything that runs in the root looks for its programs."""

APT = f'DPkg::Path "{PATH}";'
"""apt's own setting: else it gives dpkg a path of its own."""

INITRD_HOOK = "usr/share/initramfs-tools/conf-hooks.d/lent"
"""What mkinitramfs reads, which gives itself a path, too, before it begins."""

LOADER = """\
mkdir -p "$1/usr/{loaders}"
ln -sf "/{place}/usr/lib/{libraries}/{loader}" "$1/usr/{loaders}/{loader}"
ln -sfn "usr/{loaders}" "$1/{loaders}"
"""

LEND = f"""\
set -e
mkdir -p "$1/{{place}}/usr" "$1/{{place}}/bin"
mount --bind -o ro /usr "$1/{{place}}/usr"
ln -s "/{{place}}/usr/lib/{{libraries}}" "$1/usr/lib/{{libraries}}"
{LOADER}
for tool in {{tools}}; do
    for found in "/usr/bin/$tool" "/usr/sbin/$tool"; do
        ! [ -f "$found" ] || ln -sf "/{{place}}$(readlink -f "$found")" "$1/{{place}}/bin/$tool"
    done
done
"""
"""Before the first package is installed."""

LEND_SHELL = f"""\
set -e
{LOADER}
mount --bind -o ro /usr/bin/dash "$1/usr/bin/dash"
"""
"""As soon as no package brings it any more; the one that sees to a single /usr has taken away the
place of the loader, which is no place of that processor's."""

TAKE_BACK = f"""\
set -e
rm "$1/{INITRD_HOOK}"
umount "$1/usr/bin/dash" "$1/{{place}}/usr"
rm -r "$1/{{place}}/bin" "$1/usr/lib/{{libraries}}" "$1/usr/{{loaders}}" "$1/{{loaders}}"
rmdir "$1/{{place}}/usr" "$1/{{place}}"
"""


def lends(arch: str) -> bool:
    """Whether this machine has tools for roots of ``arch``."""
    return platform.machine() in LENDERS and HOST_ARCH[platform.machine()] != arch


def lent(scratch: Path, last: str) -> list[str]:
    """mmdebstrap's hooks that lend the tools, until after the customize-hook ``last``; ``scratch``
    is a directory that is there for as long as mmdebstrap runs."""
    libraries, loaders, loader = LENDERS[platform.machine()]
    places = {"place": PLACE, "libraries": libraries, "loaders": loaders, "loader": loader}
    tools = " ".join(TOOLS.split())
    for name, text in (("lend", LEND), ("lend-shell", LEND_SHELL), ("take-back", TAKE_BACK)):
        (scratch / name).write_text(text.format(tools=tools, **places))
    return [
        f'--setup-hook=echo {shlex.quote(APT)} >>"$MMDEBSTRAP_APT_CONFIG"',
        f'--extract-hook=sh "{scratch}/lend" "$1"',
        f'--essential-hook=sh "{scratch}/lend-shell" "$1"',
        f'--customize-hook=echo "PATH={PATH}" >"$1/{INITRD_HOOK}"',
        f"--customize-hook={last}",
        f'--customize-hook=sh "{scratch}/take-back" "$1"',
    ]
