"""An end to work on lists that were made to be as hard as possible.

Every proof here takes about a step for each rule of a list as people write them.  For lists
of ten thousands of rules that are contrived against it, steps can grow with the square of the
length; then a clear refusal after a minute or two is better than hours, or no memory left.
"""

from __future__ import annotations


class TooLarge(ValueError):
    """A list is too contrived for an exact answer; ``hint`` says what to do about it."""

    def __init__(self, message: str, hint: str) -> None:
        super().__init__(message)
        self.hint = hint


class Limit:
    """Counts up to ``most`` of ``what``; TooLarge beyond."""

    def __init__(self, most: int, what: str, hint: str) -> None:
        self._left = self._most = most
        self._what = what
        self._hint = hint

    def take(self, number: int = 1) -> None:
        """Counts some more."""
        self._left -= number
        if self._left < 0:
            raise TooLarge(f"the rules make more than {self._most:,} {self._what}", self._hint)
