"""The directory that holds an image: it is replaced as a whole, so nothing else may lie in it."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from seatwright.findings.words import shown
from seatwright.image.errors import ImageError
from seatwright.rehearsal.base import locked

AROUND = (".gitignore", "manifest.json", "manifest.json.sig", "table.json")
OF_THE_MODEL = (".bmap", ".img", ".img.sha256", ".spdx.json")


def check_target(target: Path, model: str) -> None:
    """Raise :class:`ImageError` where ``target`` holds more than an image of ``model``."""
    if not target.is_dir():
        if target.exists() or target.is_symlink():
            raise ImageError(f"{target} is not a directory.", OWN)
        return
    ours = {*AROUND, *(f"{model}{suffix}" for suffix in OF_THE_MODEL)}
    others = sorted(one.name for one in target.iterdir() if one.name not in ours or one.is_dir())
    if others:
        more = f", and {len(others) - 1} more" if len(others) > 1 else ""
        raise ImageError(
            f"{target} has other things in it than an image of {model}: {shown(others[0])}{more}.",
            OWN,
        )


OWN = "An image takes the place of the whole directory: give it one of its own with --output."


@contextmanager
def only_one(target: Path, cache: Path) -> Iterator[None]:
    """One build at a time puts its image there; others wait."""
    locks = cache / "images" / "targets"
    locks.mkdir(parents=True, exist_ok=True)
    name = hashlib.sha256(str(target.resolve()).encode()).hexdigest()[:16]
    with locked(locks / f".{name}.lock"):
        yield
