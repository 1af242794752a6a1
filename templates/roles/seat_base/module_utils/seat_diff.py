"""The changes of a list as text that a reviewer can read.

A program that is new on a seat would be hundreds of lines that nobody reads in a diff: of long
texts only what changed is shown, and of very long changes only how much changed.  Standard library
only: this runs on the seat.
"""

from __future__ import annotations

import difflib
import os

from ansible.module_utils.seat_changes import Change, fits
from ansible.module_utils.seat_entries import Entry, Found, owner_names

NEW_LINES = 60
"""A new file up to so many lines is shown whole."""
CHANGED_LINES = 120
"""A change up to so many lines is shown line by line."""
MOST_BYTES = 200_000
"""Beyond it a text is not compared line by line."""


def diff_of(changes: tuple[Change, ...]) -> list[dict[str, str]]:
    """Before and after of each change, with headers, as Ansible prints them."""
    return [part for change in changes for part in (_content(change), _access(change)) if part]


def _content(change: Change) -> dict[str, str] | None:
    if change.kind == "permit" or change.kind == "make":
        return None
    before, after = _before(change), _after(change)
    if before is not None and after is not None:
        before, after = _shorten(before, after)
    return {
        "before_header": f"{change.path} ({_state(change.found)})",
        "after_header": f"{change.path} ({_outcome(change)})",
        "before": before or "",
        "after": after or "",
    }


def _before(change: Change) -> str | None:
    found = change.found
    if found.kind == "link":
        return f"link to {found.target}\n"
    if found.kind != "file":
        return None
    if change.private:
        return "(not shown)\n"
    if os.path.getsize(change.place) > MOST_BYTES:
        return _summary(None, os.path.getsize(change.place), found.sha256)
    with open(change.place, "rb") as file:
        text = _text(file.read())
    if change.kind == "remove" and text.count("\n") > NEW_LINES:
        return _summary(text, len(text.encode()), found.sha256)
    return text


def _after(change: Change) -> str | None:
    entry = change.entry
    if entry is None or change.kind == "remove":
        return None
    if change.kind == "link":
        return f"link to {entry.target}\n"
    if change.private:
        return "(not shown, changed)\n"
    content = entry.content or b""
    text = _text(content)
    is_new = change.found.kind != "file"
    if (is_new and text.count("\n") > NEW_LINES) or len(content) > MOST_BYTES:
        return _summary(text, len(content), entry.sha256)
    return text


def _text(data: bytes) -> str:
    return data.decode("utf-8", "backslashreplace")


def _summary(text: str | None, size: int, sha256: str | None) -> str:
    lines = "" if text is None else f"{text.count(chr(10))} lines, "
    return f"({lines}{size} bytes, SHA-256 {(sha256 or '')[:16]}, not shown)\n"


def _shorten(before: str, after: str) -> tuple[str, str]:
    """Two texts as they are, or how much differs where that is too much to read."""
    old, new = before.splitlines(), after.splitlines()
    lines = difflib.unified_diff(old, new, n=0, lineterm="")
    signs = [line[0] for line in lines if not line.startswith(("---", "+++", "@@"))]
    if len(signs) <= CHANGED_LINES:
        return before, after
    counts = f"({len(old)} lines, of which {signs.count('-')} go)\n"
    return counts, f"({len(new)} lines, of which {signs.count('+')} are new; not shown)\n"


def _state(found: Found) -> str:
    return {"missing": "not there", "file": "now", "link": "now"}.get(found.kind, found.kind)


def _outcome(change: Change) -> str:
    aside = ", a copy of what was there is set aside" if change.aside else ""
    if change.kind == "remove":
        return f"removed{aside}"
    if change.kind == "write" and change.entry is not None and change.found.kind != "file":
        return f"new, {_entry_access(change.entry)}"
    return f"new{aside}"


def _access(change: Change) -> dict[str, str] | None:
    """Owner and mode of what is there already, where they change; of a directory, where new."""
    entry, found = change.entry, change.found
    is_new = found.kind not in ("file", "directory")
    if entry is None or change.kind in ("remove", "link") or (is_new and change.kind == "write"):
        return None
    if not is_new and fits(entry, found):
        return None
    before = "" if is_new else _found_access(found)
    after = f"{_entry_access(entry)}\n"
    header = f"{change.path} (owner and mode)"
    return {"before_header": header, "after_header": header, "before": before, "after": after}


def _found_access(found: Found) -> str:
    user, group = owner_names(found)
    return f"{user}:{group} {found.mode:04o}\n"


def _entry_access(entry: Entry) -> str:
    return f"{entry.owner}:{entry.group} {entry.mode:04o}"
