"""Commands that end with us, however we end, with everything that they started and mounted."""

from __future__ import annotations

from collections.abc import Sequence

DIES_WITH_US = ("setpriv", "--pdeathsig", "KILL")
"""Words before a command: it is killed as soon as the thread that started it has ended."""


def apart(argv: Sequence[str], *, own_proc: bool = False, spaces: Sequence[str] = ()) -> list[str]:
    """A command with mounts and processes of its own, which end with it and it with us.

    With ``own_proc`` /proc shows its own processes, and nothing that is mounted below it here.
    ``spaces`` are options of unshare(1) for further namespaces.
    """
    options = ["--mount", "--pid", *spaces, "--fork", "--kill-child=KILL"]
    options += ["--mount-proc"] if own_proc else []
    return [*DIES_WITH_US, "unshare", *options, "--", *argv]
