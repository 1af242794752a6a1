"""A lock on a file that is waited for, but not for ever.

Standard library only: this runs on the seat.
"""

from __future__ import annotations

import contextlib
import os
import time
from collections.abc import Callable, Iterator


class Busy(Exception):
    """Somebody else had the lock all the time."""


@contextlib.contextmanager
def held(path: str, take: Callable[[int], None], seconds: float) -> Iterator[None]:
    """Hold the lock of a file, which is made where there is none.

    ``take`` asks for it without waiting (flock or lockf, fcntl(2)). Raises Busy, OSError.
    """
    descriptor = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
    try:
        _wait(descriptor, take, seconds)
        yield
    finally:
        os.close(descriptor)


def _wait(descriptor: int, take: Callable[[int], None], seconds: float) -> None:
    end = time.monotonic() + seconds
    while True:
        try:
            take(descriptor)
            return
        except (BlockingIOError, PermissionError):
            if time.monotonic() > end:
                raise Busy from None
            time.sleep(0.2)
