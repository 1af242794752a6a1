"""Debian roots that test hosts boot from: made once, cached by what they are made of.

A root is a directory in the cache, named after its recipe and a digest of it, and never written
to again: hosts put an overlay on it.  A changed recipe is a new directory.
"""

from __future__ import annotations

import fcntl
import hashlib
import os
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from seatwright.rehearsal.apart import apart
from seatwright.rehearsal.errors import RehearsalError, need_programs, need_root, run, tail
from seatwright.render.variables import SEAT_BASE, Role

FORMAT = 1
"""Counts up when a root of the same recipe is made differently."""

SHELF = "/var/local/packages"
"""Where a root keeps Debian packages that can be installed but are not: apt's one source."""

MACHINE_PACKAGES = (
    "dbus",
    "iproute2",
    "libpam-systemd",  # sessions of users, as on any installed Debian
    "openssh-server",
    "python3",
    "python3-apt",  # what Ansible asks about packages
    "sudo",
    "systemd-sysv",
    "udev",
)
"""What any installed seat has before a role touches it."""

LEFT_OUT = ("seatd",)
"""Small packages that the roles have to install for real, from the shelf."""

UNREAD = ("doc", "info", "locale", "man")
"""Directories of /usr/share that nobody reads on a test host."""


@dataclass(frozen=True, slots=True)
class Recipe:
    """What a root is made of: a Debian suite, packages, and those that only lie on the shelf.

    With ``above``, it is that root and a layer in which ``packages`` came off the shelf.
    """

    name: str
    suite: str
    packages: tuple[str, ...]
    shelf: tuple[str, ...] = ()
    above: Recipe | None = None
    left_out: tuple[str, ...] = ()
    """Files of packages that are not unpacked (patterns of dpkg's path-exclude)."""

    @property
    def directory(self) -> str:
        """Its name in the cache."""
        below = self.above.directory if self.above else ""
        content = repr((FORMAT, self.suite, sorted(self.packages), sorted(self.shelf), below))
        content += repr(self.left_out) if self.left_out else ""
        return f"{self.name}-{hashlib.sha256(content.encode()).hexdigest()[:12]}"


Layers = tuple[Path, ...]
"""Directories that make up a root, the topmost first, as an overlay wants them."""


def role_packages(role: Role) -> tuple[str, ...]:
    """The packages a role installs when nobody says otherwise."""
    lists = [v.default for v in role.variables if v.name == f"{role.name}_packages"]
    return tuple(str(name) for default in lists if isinstance(default, tuple) for name in default)


SEAT = Recipe(
    name="seat",
    suite="bookworm",
    packages=tuple(sorted({*MACHINE_PACKAGES, *role_packages(SEAT_BASE)} - {*LEFT_OUT})),
    shelf=LEFT_OUT,
)
"""A seat as it is before its first run: what is large is there, the rest apt must install."""

STOCKED_SEAT = Recipe(name="stocked-seat", suite=SEAT.suite, packages=LEFT_OUT, above=SEAT)
"""The same with nothing left to install, for measurements that leave packages aside."""

PULLING_SEAT = Recipe(
    name="pulling-seat",
    suite=SEAT.suite,
    packages=(*SEAT.packages, *LEFT_OUT, "ansible-core", "git"),
)
"""A seat that can fetch what was rendered; another of them is the server it fetches from."""

NEWER = Recipe(name="newer", suite="trixie", packages=("systemd", "udev"))
"""A newer Debian for what the older cannot do: ``udevadm verify`` came with systemd 254."""


def cache_directory() -> Path:
    """``$SEATWRIGHT_CACHE``, else ``seatwright`` in the user's cache directory."""
    if chosen := os.environ.get("SEATWRIGHT_CACHE"):
        return Path(chosen).absolute()
    return Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "seatwright"


def ensure(recipe: Recipe, cache: Path | None = None) -> Layers:
    """Return the root made from ``recipe``; make it first where the cache has none.

    Raises :class:`RehearsalError` when it cannot be made (root, programs, network).
    """
    below = ensure(recipe.above, cache) if recipe.above else ()
    roots = (cache or cache_directory()) / "roots"
    root = roots / recipe.directory
    if not root.is_dir():
        need_root(f"Making the root '{recipe.name}'")
        need_programs({"mmdebstrap": "mmdebstrap", "unshare": "util-linux"})
        roots.mkdir(parents=True, exist_ok=True)
        with locked(roots / f".{recipe.directory}.lock"):
            if not root.is_dir():
                _make(recipe, root, below)
    return (root, *below)


def copy_root(layers: Layers, target: Path) -> None:
    """Copy a root into the new directory ``target``, to be written to; sparse files stay sparse.

    Raises :class:`RehearsalError`.
    """
    need_root("Copying a root file system")
    if len(layers) == 1:
        run(["cp", "--archive", "--sparse=always", str(layers[0]), str(target)])
        return
    script = (
        'mount -t overlay overlay -o "lowerdir=$1" /mnt && cp --archive --sparse=always /mnt "$2"'
    )
    lower = ":".join(map(str, layers))
    run(apart(["sh", "-c", script, "sh", lower, str(target)]))


@contextmanager
def locked(path: Path) -> Iterator[None]:
    """Hold a lock file, so that two runs do not make one root at a time."""
    with path.open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        yield


def _make(recipe: Recipe, root: Path, below: Layers) -> None:
    """Make a root beside its place and rename it there, so that a half-made one is never used."""
    unfinished = root.with_name(f".{root.name}.unfinished")
    shutil.rmtree(unfinished, ignore_errors=True)
    if below:
        _install_above(recipe, unfinished, below)
    else:
        _bootstrap(recipe, unfinished)
        _stock_shelf(unfinished)
        _forget_identity(unfinished)
    unfinished.rename(root)


def _install_above(recipe: Recipe, layer: Path, below: Layers) -> None:
    """Install packages off the shelf into a layer, mounted where nobody else sees it."""
    layer.mkdir()
    with tempfile.TemporaryDirectory(dir=layer.parent) as work:
        options = f"lowerdir={':'.join(map(str, below))},upperdir={layer},workdir={work}"
        script = (
            'mount -t overlay overlay -o "$1" /mnt && shift && '
            'DEBIAN_FRONTEND=noninteractive exec chroot /mnt apt-get -qq install "$@"'
        )
        run(apart(["sh", "-c", script, "sh", options, *recipe.packages]))


def _bootstrap(recipe: Recipe, target: Path) -> None:
    """Let mmdebstrap put the packages into a directory."""
    argv = ["mmdebstrap", "--quiet", "--mode=root", "--variant=minbase"]
    argv += [f"--dpkgopt=path-exclude=/usr/share/{name}/*" for name in UNREAD]
    argv += [f"--dpkgopt=path-exclude={pattern}" for pattern in recipe.left_out]
    argv += ["--dpkgopt=force-unsafe-io", "--aptopt=APT::Install-Recommends false"]
    argv += [f"--include={','.join(recipe.packages)}"]
    argv += [f'--customize-hook=mkdir -p "$1{SHELF}"']
    if recipe.shelf:
        wanted = " ".join(recipe.shelf)
        download = f"APT_CONFIG=$MMDEBSTRAP_APT_CONFIG apt-get -qq download {wanted}"
        argv += [f'--customize-hook=cd "$1{SHELF}" && {download}']
    argv += [recipe.suite, str(target)]
    done = subprocess.run(apart(argv), capture_output=True, text=True, stdin=subprocess.DEVNULL)
    if done.returncode != 0:
        raise RehearsalError(
            f"mmdebstrap could not make the root '{recipe.name}':\n{tail(done.stderr)}",
            "It downloads Debian packages: check that 'apt-get update' works on this machine.",
        )


def _stock_shelf(root: Path) -> None:
    """Make the shelf apt's one source: hosts have no way to any other."""
    shelf = root / SHELF.lstrip("/")
    index = "\n".join(_index_entry(package) for package in sorted(shelf.glob("*.deb")))
    (shelf / "Packages").write_text(index)
    sources = root / "etc/apt/sources.list"
    sources.write_text(f"deb [trusted=yes] file:{SHELF} ./\n")
    run(["chroot", str(root), "apt-get", "-qq", "update"])


def _index_entry(package: Path) -> str:
    """One package as apt's index lists it: its control fields and where it lies."""
    control = run(["dpkg-deb", "--field", str(package)])
    content = package.read_bytes()
    digest = hashlib.sha256(content).hexdigest()
    return f"{control}Filename: ./{package.name}\nSize: {len(content)}\nSHA256: {digest}\n"


def _forget_identity(root: Path) -> None:
    """Take out what must differ from host to host, and what only wakes up to download."""
    for key in (root / "etc/ssh").glob("ssh_host_*"):
        key.unlink()
    (root / "etc/machine-id").write_text("")
    shutil.rmtree(root / "var/log/journal", ignore_errors=True)
    for timer in ("apt-daily.timer", "apt-daily-upgrade.timer"):
        mask = root / "etc/systemd/system" / timer
        mask.parent.mkdir(parents=True, exist_ok=True)
        mask.symlink_to("/dev/null")
