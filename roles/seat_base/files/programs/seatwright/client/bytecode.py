"""What Python makes of the programs' sources before it runs them, kept beside them.

The session's user may not write there, so without this every start would make it anew: on a small
board that is as long as all else that the session does before it connects.
"""

from __future__ import annotations

import contextlib
from importlib.machinery import SourceFileLoader
from pathlib import Path


def keep_bytecode(programs: Path) -> None:
    """Have Python write what is missing or out of date, by its own rules; never raises."""
    for source in sorted(programs.rglob("*.py")):
        with contextlib.suppress(ImportError, OSError, SyntaxError, ValueError):
            SourceFileLoader(source.stem, str(source)).get_code(source.stem)
