"""What Python makes of the programs' sources before it runs them, kept beside them.

The session's user may not write there, so without this every start would make it anew: on a small
board that is as long as all else that the session does before it connects. Python itself is told
to write none (``-B``): it does not flush what it writes, and believes a half that a power cut left
as long as its head is right, so that the program would never start again.
"""

from __future__ import annotations

import contextlib
import importlib.util
import marshal
import os
from pathlib import Path

from seatwright.client.files import sync_filesystem


def keep_bytecode(programs: Path) -> None:
    """Write what is missing or out of date, whole and flushed, all in one go; never raises."""
    written: list[tuple[Path, Path]] = []
    with contextlib.suppress(OSError):
        for source in sorted(programs.rglob("*.py")):
            with contextlib.suppress(SyntaxError, ValueError):
                written += _write(source)
        if written:
            sync_filesystem(programs)
        for beside, kept in written:
            os.replace(beside, kept)


def _write(source: Path) -> list[tuple[Path, Path]]:
    """The bytecode of one source, with a head as in PEP 552: its time and size.

    Where it waits and where it belongs; nothing where it is there already.
    """
    found = source.stat()
    numbers = (0, int(found.st_mtime), found.st_size)
    head = b"".join((number & 0xFFFFFFFF).to_bytes(4, "little") for number in numbers)
    head = importlib.util.MAGIC_NUMBER + head
    kept = Path(importlib.util.cache_from_source(str(source)))
    with contextlib.suppress(FileNotFoundError), kept.open("rb") as file:
        if file.read(len(head)) == head:
            return []
    code = compile(source.read_bytes(), str(source), "exec", dont_inherit=True)
    kept.parent.mkdir(exist_ok=True)
    beside = kept.with_name(f".{kept.name}.new")
    beside.write_bytes(head + marshal.dumps(code))
    return [(beside, kept)]
