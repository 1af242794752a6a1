"""Commands that end with us, however we end, with everything that they started and mounted."""

from __future__ import annotations

from collections.abc import Sequence

DIES_WITH_US = ("setpriv", "--pdeathsig", "KILL")
"""Words before a command: it is killed as soon as the thread that started it has ended."""


def apart(argv: Sequence[str], *, own_proc: bool = False) -> list[str]:
    """A command with mounts and processes of its own, which end with it and it with us.

    With ``own_proc`` /proc shows its own processes, and nothing that is mounted below it here.
    """
    spaces = ["unshare", "--mount", "--pid", "--fork", "--kill-child=KILL"]
    return [*DIES_WITH_US, *spaces, *(["--mount-proc"] if own_proc else []), "--", *argv]
