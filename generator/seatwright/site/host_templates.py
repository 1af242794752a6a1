"""The templates that a site names for its hosts, read."""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from seatwright.findings.problem import Problem
from seatwright.findings.words import shown
from seatwright.site.compose import read_bytes
from seatwright.site.kind import BROKEN

OWN = ("template", "apply", "inspect")
"""Keys that a host of the kind ``commands`` needs, and no other may have."""
FOR = {"passwords": "password", "tickets": "ticket"}
"""What it can do only with a command of its own, and the key of that."""


def read_host_templates(values: Mapping[str, Any], folder: Path) -> Iterator[Problem]:
    """Put the text of each named template in place of its name; yields what is wrong."""
    for name, host in values["hosts"].items():
        if host is BROKEN:
            continue
        path = ("hosts", name)
        given = [key for key in (*OWN, *FOR.values(), "can") if host[key]]
        if host["kind"] != "commands" and given:
            text = (
                f"{name} is of the kind {host['kind']}, which has no {given[0]} of the site's own."
            )
            yield Problem("host-template", (*path, given[0]), text, "Say kind: commands.")
            continue
        missing = [key for key in OWN if not host[key]]
        if host["kind"] == "commands" and missing:
            text = f"{name} is of the kind commands and has no {missing[0]}."
            hint = "Such a host needs a template and the commands apply and inspect."
            yield Problem("host-template", path, text, hint, at_key=True)
            continue
        yield from _commands(name, host)
        if isinstance(host["template"], str):
            try:
                host["template"] = _text(host["template"], folder)
            except (OSError, ValueError) as error:
                why = error.strerror if isinstance(error, OSError) else str(error)
                text = f"{shown(host['template'])} cannot be read: {why}."
                hint = "Names begin at the folder of the site's file."
                yield Problem("host-template", (*path, "template"), text, hint)


def _commands(name: str, host: Mapping[str, Any]) -> Iterator[Problem]:
    can, ticket = (() if host[key] is BROKEN else host[key] or () for key in ("can", "ticket"))
    for able, key in FOR.items():
        if able in can and not host[key]:
            text = f"{name} can do {able} and has no command {key}."
            hint = f"Give the words of the command as {key}, or leave {able} out of can."
            yield Problem("host-template", ("hosts", name, "can"), text, hint)
        if able not in can and host[key] and BROKEN not in (host["can"], host[key]):
            text = f"{name} has a command {key} and cannot do {able}."
            hint = f"Add {able} to can, or leave {key} out."
            yield Problem("host-template", ("hosts", name, key), text, hint, at_key=True)
    if ticket and ticket[0] is not BROKEN and not ticket[0].startswith("/"):
        text = f"The command {shown(ticket[0])} is not an absolute path."
        hint = "The seat's session runs it, and looks for it nowhere."
        yield Problem("host-template", ("hosts", name, "ticket"), text, hint)


def _text(file: str, folder: Path) -> str:
    real, root = os.path.realpath(folder / file), os.path.realpath(folder)
    if os.path.commonpath((root, real)) != root:
        raise ValueError("it leads out of the site's folder")
    try:
        return read_bytes(folder / file).decode("utf-8")
    except UnicodeDecodeError as error:
        raise ValueError("it is no UTF-8") from error
