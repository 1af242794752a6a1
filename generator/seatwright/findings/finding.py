"""The values a finding is made of."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

SourcePath = tuple[str | int, ...]
"""Where a value stands in the description: ``("rooms", "front-desk", "seats", 3, "model")``.

It does not depend on lines or on how the site is split over files, so it can stand in the plan;
``Places.find`` turns it into a :class:`Place`.
"""


class Severity(StrEnum):
    """How bad a finding is; errors keep the site from being rendered."""

    ERROR = "error"
    WARNING = "warning"
    NOTE = "note"


@dataclass(frozen=True, slots=True, order=True)
class Place:
    """A place in a file of the description, counted from 1; ``length`` is for the caret."""

    file: str
    line: int
    column: int
    length: int = field(default=1, compare=False)

    def __str__(self) -> str:
        return f"{self.file}:{self.line}:{self.column}"


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing the checks have to say.

    ``slug`` is in the catalogue and never changes its meaning; ``message`` is one sentence;
    ``hint`` says what to do about it; ``also`` are further places with a few words each;
    ``witness`` is a device that shows it (see ``usb.device.Device``), printable as JSON.
    """

    slug: str
    severity: Severity
    place: Place
    message: str
    hint: str = ""
    also: tuple[tuple[Place, str], ...] = ()
    witness: Mapping[str, object] | None = None
