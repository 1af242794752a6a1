"""Files that are seen old or new, never half."""

from __future__ import annotations

import contextlib
import os
import tempfile
from pathlib import Path


def write_whole(path: Path, content: bytes, mode: int = 0o644) -> None:
    """Write a file beside its place and move it there. Raises OSError."""
    handle, scratch = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(content)
            stream.flush()
            os.fsync(stream.fileno())
        os.chmod(scratch, mode)
        os.replace(scratch, path)
    except BaseException:
        with contextlib.suppress(FileNotFoundError):
            os.unlink(scratch)
        raise
