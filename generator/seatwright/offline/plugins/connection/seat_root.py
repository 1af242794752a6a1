"""Ansible's way into a root file system that lies in a directory. See DOCUMENTATION."""

from __future__ import annotations

DOCUMENTATION = r"""
name: seat_root
short_description: Run tasks in a root file system that lies in a directory
description:
  - Commands run in a chroot, in private mount, process, IPC and host name namespaces that end with
    the task. C(/proc), C(/sys), C(/dev), C(/run) and C(/tmp) are mounted in there alone, so nothing
    of them is left in the directory.
  - systemd is told that it is offline; what a task wants started is not started, and whatever a
    package starts ends with the task.
  - Needs root on the control machine. Become is not needed inside, everything runs as root.
author: [The seatwright project]
options:
  root:
    description: Absolute path of the directory that stands for C(/).
    type: path
    required: true
    vars: [{name: seatwright_offline_root}]
  network:
    description: Whether tasks may use this machine's network, for apt's sources.
    type: bool
    default: false
    vars: [{name: seatwright_offline_network}]
"""

import os
import shlex
import subprocess
from typing import Any

from ansible.errors import AnsibleConnectionFailure, AnsibleFileNotFound
from ansible.plugins.connection import ConnectionBase

ENVIRONMENT = {
    "DEBIAN_FRONTEND": "noninteractive",
    "HOME": "/root",
    "LANG": "C.UTF-8",
    "PATH": "/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin",
    "PYTHONDONTWRITEBYTECODE": "1",
    "SYSTEMD_OFFLINE": "1",
}
"""All that commands inside find in their environment, but for SOURCE_DATE_EPOCH."""

MOUNTS = r"""
set -e
root=$1
mount --make-rprivate /
mount --bind "$root" "$root"
mount -t proc proc "$root/proc"
mount -t sysfs -o ro sysfs "$root/sys" 2>/dev/null || mount -t tmpfs -o ro tmpfs "$root/sys"
mount -t tmpfs -o mode=755 tmpfs "$root/run"
mount -t tmpfs -o mode=1777 tmpfs "$root/tmp"
mount -t tmpfs -o mode=755 tmpfs "$root/dev"
for name in null zero full random urandom tty; do
    : >"$root/dev/$name"
    mount --bind "/dev/$name" "$root/dev/$name"
done
mkdir "$root/dev/shm" "$root/dev/pts"
mount -t devpts -o newinstance,ptmxmode=0666 devpts "$root/dev/pts"
ln -s pts/ptmx "$root/dev/ptmx"
ln -s /proc/self/fd "$root/dev/fd"
ln -s /proc/self/fd/0 "$root/dev/stdin"
ln -s /proc/self/fd/1 "$root/dev/stdout"
ln -s /proc/self/fd/2 "$root/dev/stderr"
if [ "$2" = network ]; then
    mkdir -p "$root/run/systemd/resolve"
    cp /etc/resolv.conf "$root/run/systemd/resolve/stub-resolv.conf"
    [ ! -f "$root/etc/resolv.conf" ] || mount --bind /etc/resolv.conf "$root/etc/resolv.conf"
fi
"""
"""Lays out what a root needs to work in, for the shell that runs it; ``network`` or not."""

HOLDER = MOUNTS + "echo ready\nexec cat >/dev/null\n"
"""Keeps the namespaces for as long as its input is open."""


class Connection(ConnectionBase):  # type: ignore[misc]  # Ansible has no types
    """One task's way in: the namespaces begin with its first command and end with it."""

    transport = "seat_root"
    has_pipelining = True

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self._holder: subprocess.Popen[bytes] | None = None
        self._connected = False

    def _connect(self) -> Connection:
        if self._connected:
            return self
        root = self.get_option("root")
        if not (os.path.isabs(root) and root != "/" and os.path.isdir(os.path.join(root, "usr"))):
            raise AnsibleConnectionFailure(f"{root} is not a directory with a root file system")
        network = self.get_option("network")
        argv = ["unshare", "--mount", "--pid", "--ipc", "--uts", "--fork", "--kill-child=KILL"]
        argv += [] if network else ["--net"]
        argv += ["sh", "-c", HOLDER, "sh", root, "network" if network else ""]
        holder = subprocess.Popen(
            argv, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.STDOUT
        )
        said = holder.stdout.readline() if holder.stdout else b""
        if said != b"ready\n":
            rest, _ = holder.communicate()
            text = (said + rest).decode("utf-8", "replace").strip()
            raise AnsibleConnectionFailure(f"{root} cannot be entered: {text}")
        self._holder = holder
        self._connected = True
        return self

    def _enter(self) -> list[str]:
        """The words before a command that run it inside."""
        assert self._holder is not None
        spaces = f"/proc/{self._holder.pid}/ns"
        kinds = [f"--{kind}={spaces}/{file}" for kind, file in NAMESPACES.items()]
        environment = dict(ENVIRONMENT)
        if epoch := os.environ.get("SOURCE_DATE_EPOCH"):
            environment["SOURCE_DATE_EPOCH"] = epoch
        words = [f"{name}={value}" for name, value in environment.items()]
        return ["nsenter", *kinds, "chroot", self.get_option("root"), "/usr/bin/env", "-i", *words]

    def exec_command(
        self, cmd: str, in_data: bytes | None = None, sudoable: bool = True
    ) -> tuple[int, bytes, bytes]:
        """See ConnectionBase."""
        super().exec_command(cmd, in_data=in_data, sudoable=sudoable)
        self._connect()
        argv = [*self._enter(), "/bin/sh", "-c", cmd]
        done = subprocess.run(argv, input=in_data or b"", capture_output=True, check=False)
        return done.returncode, done.stdout, done.stderr

    def put_file(self, in_path: str, out_path: str) -> None:
        """See ConnectionBase."""
        super().put_file(in_path, out_path)
        try:
            with open(in_path, "rb") as file:
                content = file.read()
        except FileNotFoundError as error:
            raise AnsibleFileNotFound(f"{in_path} is not there") from error
        self._inside(f"cat >{shlex.quote(out_path)}", content)

    def fetch_file(self, in_path: str, out_path: str) -> None:
        """See ConnectionBase."""
        super().fetch_file(in_path, out_path)
        content = self._inside(f"cat -- {shlex.quote(in_path)}")
        with open(out_path, "wb") as file:
            file.write(content)

    def _inside(self, command: str, content: bytes = b"") -> bytes:
        code, out, said = self.exec_command(command, content)
        if code != 0:
            raise AnsibleConnectionFailure(said.decode("utf-8", "replace").strip())
        return out

    def close(self) -> None:
        """End the namespaces, and with them every process inside."""
        if self._holder is not None:
            self._holder.communicate()
            self._holder = None
        self._connected = False


NAMESPACES = {
    "mount": "mnt",
    "pid": "pid_for_children",
    "ipc": "ipc",
    "uts": "uts",
    "net": "net",
}
"""As nsenter and as /proc call them."""
