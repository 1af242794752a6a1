"""What a book is made from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from seatwright.findings import Finding
from seatwright.plan import Plan
from seatwright.review.change import Review


@dataclass(frozen=True, slots=True)
class Told:
    """A finding with the line of the description that it points at (empty where there is none)."""

    finding: Finding
    source: str = ""


@dataclass(frozen=True, slots=True)
class Content:
    """Everything that a book says.

    ``plan`` is None where the site has errors; ``title`` then says whose book it is.
    ``promises`` has what is wrong with a promise, by its origin; one that is not in it holds.
    ``live`` is the address of the version of a served book, empty for one in a file.
    """

    title: str
    plan: Plan | None
    findings: tuple[Told, ...] = ()
    promises: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    review: Review | None = None
    live: str = ""
