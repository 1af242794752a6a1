"""What can go wrong while rendering, each with a sentence and a hint for the person."""

from __future__ import annotations


class RenderError(Exception):
    """Rendering is not possible; nothing was changed. ``hint`` says what to do about it."""

    def __init__(self, message: str, hint: str = "") -> None:
        super().__init__(message)
        self.message = message
        self.hint = hint


class QuoteError(RenderError):
    """A value cannot be quoted for the language it has to stand in."""


class WriteError(RenderError):
    """The disk did not let us; what was there before still stands."""


class HandEdits(RenderError):
    """Somebody changed rendered files; ``edits`` are pairs of what happened and the path."""

    def __init__(self, edits: tuple[tuple[str, str], ...]) -> None:
        super().__init__(
            "Rendered files were changed by hand; nothing was written.",
            "Put the change into the description (or a template), or give --overwrite to lose it.",
        )
        self.edits = edits
