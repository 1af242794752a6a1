"""What goes wrong when images are made or written."""

from __future__ import annotations


class ImageError(Exception):
    """An image cannot be made, read or written; ``hint`` says what to do about it.

    ``missing`` is set where the machine lacks something, not the input.
    """

    def __init__(self, message: str, hint: str = "", *, missing: bool = False) -> None:
        super().__init__(message)
        self.message, self.hint, self.missing = message, hint, missing
