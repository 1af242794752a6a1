"""The first process in a test's namespaces: gives libvirtd empty directories, starts and ends it.

Run as ``libvirt_keeper.py FOLDER``; obeys ``start`` and ``kill`` on standard input.  When that
closes it ends, and with it, since it is process 1 in there, everything that libvirtd started.
"""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
from pathlib import Path

PRIVATE = ("/run", "/etc/libvirt", "/var/lib/libvirt", "/var/log/libvirt", "/var/cache/libvirt")
"""Where libvirtd keeps its state; of libvirt's packages some have these directories."""
ACCOUNTS = {
    "/etc/passwd": "libvirt-qemu:x:64055:64055::/var/lib/libvirt:/usr/sbin/nologin\n",
    "/etc/group": "libvirt-qemu:x:64055:\n",
}
"""Whom the QEMU driver looks up even where its settings name another user; Debian makes this one
with the package that starts libvirtd with the machine, which a test must not need."""


def reap(_signal: int, _frame: object) -> None:
    """Guests are daemons, so children of this process: libvirt waits until they are gone."""
    try:
        while os.waitpid(-1, os.WNOHANG) != (0, 0):
            pass
    except ChildProcessError:
        pass


def prepare(folder: Path) -> None:
    for directory in PRIVATE:
        Path(directory).mkdir(parents=True, exist_ok=True)
        subprocess.run(["mount", "-t", "tmpfs", "tmpfs", directory], check=True)
    shutil.copy(folder / "qemu.conf", "/etc/libvirt/qemu.conf")
    for path, line in ACCOUNTS.items():
        ours = folder / Path(path).name
        ours.write_text(Path(path).read_text() + line)
        subprocess.run(["mount", "--bind", ours, path], check=True)


def start(folder: Path) -> int:
    command = ["/usr/sbin/libvirtd", "--config", folder / "libvirtd.conf"]
    with (folder / "log").open("a") as log:
        return subprocess.Popen(
            [*command, "--pid-file", folder / "pid"],
            stdin=subprocess.DEVNULL,
            stdout=log,
            stderr=log,
            start_new_session=True,
        ).pid


def main(folder: Path) -> None:
    prepare(folder)
    signal.signal(signal.SIGCHLD, reap)
    daemon = 0
    for order in sys.stdin:
        if order.strip() == "start":
            daemon = start(folder)
        elif order.strip() == "kill":
            os.kill(daemon, signal.SIGKILL)
            (folder / "libvirt-sock").unlink()
            print("killed", flush=True)


if __name__ == "__main__":
    main(Path(sys.argv[1]))
