"""A finding that does not know its place yet."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from seatwright.findings.finding import SourcePath


@dataclass(frozen=True, slots=True)
class Problem:
    """Something to say about a value of the description, given by its path.

    The catalogue knows how bad a ``slug`` is; ``also`` are further paths with a few words each;
    ``witness`` is a device that shows it, as JSON would have it.  With ``at_key`` the place is that
    of the value's key or name.
    """

    slug: str
    path: SourcePath
    message: str
    hint: str = ""
    also: tuple[tuple[SourcePath, str], ...] = ()
    witness: Mapping[str, object] | None = None
    at_key: bool = False
