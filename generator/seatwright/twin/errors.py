"""What keeps a twin from being made or from doing what it was asked."""

from __future__ import annotations

from seatwright.rehearsal.errors import RehearsalError


class TwinError(RehearsalError):
    """As of any test host; told the same way."""
