"""What a running guest under plain QEMU was started with, beside what is planned; ports added live.

The unit keeps copies of the guest's ``.cfg`` and ``.options`` as they were at its start, where only
root may write.  Formats: QEMU's ``-readconfig`` files as this program writes them, and QMP.
"""

from __future__ import annotations

import json
import socket

SECONDS = 30
"""How long QEMU may take for an answer."""


class NotAdded(Exception):
    """QEMU did not take a port."""


def sections(config: str) -> dict[str, dict[str, str]]:
    """Keys and values of each section, by its heading as it is written: ``device "redir1"``."""
    found: dict[str, dict[str, str]] = {}
    for line in map(str.strip, config.splitlines()):
        if line.startswith("["):
            values = found.setdefault(line.strip("[]"), {})
        elif "=" in line:
            key, _, value = line.partition("=")
            values[key.strip()] = value.strip().strip('"')
    return found


def differences(started: str, planned: str) -> list[str]:
    """The lines in which the two differ, each with ``+`` or ``-`` and its section before it."""
    before, after = _lines(started), _lines(planned)
    gone = [f"- {line}" for line in before if line not in after]
    return gone + [f"+ {line}" for line in after if line not in before]


def _lines(config: str) -> dict[str, None]:
    """One line for a redirection port, one for each value of all else, in their order."""
    if not config.startswith("["):  # the options for the command line, which have no sections
        return dict.fromkeys(config.splitlines())
    found: dict[str, None] = {}
    for heading, values in sections(config).items():
        if values.get("driver") == "usb-redir":
            found[port_line(values)] = None
        elif values.get("backend") != "spicevmc":
            found |= {f"{heading}: {key} = {value}": None for key, value in values.items()}
    return found


def port_line(values: dict[str, str]) -> str:
    """The line of a port by its section."""
    return f"redirection port: {values['bus']} port {values['port']}"


def ports_to_add(started: str, planned: str) -> dict[str, dict[str, str]]:
    """Sections of planned ports that it was started without, by name, for the controllers that it
    has as they are planned.
    """
    has, wanted = sections(started), sections(planned)
    buses = {f"{_name(heading)}.0" for heading in wanted if has.get(heading) == wanted[heading]}
    return {
        _name(heading): values
        for heading, values in wanted.items()
        if values.get("driver") == "usb-redir" and heading not in has and values["bus"] in buses
    }


def with_port(started: str, planned: str, name: str) -> str:
    """``started`` with the planned sections of one port, which it has by now."""
    parts = (part.strip() for part in planned.split("\n\n"))
    ours = (part for part in parts if _name(part.partition("\n")[0].strip("[]")) == name)
    return "\n\n".join([started.rstrip(), *ours]) + "\n"


def _name(heading: str) -> str:
    return heading.partition(' "')[2].rstrip('"')


def add_port(monitor: str, name: str, values: dict[str, str]) -> None:
    """Add a port through QEMU's monitor; raises :class:`NotAdded`."""
    backend = {"type": "spicevmc", "data": {"type": "usbredir"}}
    try:
        with socket.socket(socket.AF_UNIX) as line:
            line.settimeout(SECONDS)
            line.connect(monitor)
            with line.makefile("rw", encoding="utf-8") as stream:
                stream.readline()  # its greeting
                _ask(stream, "qmp_capabilities")
                _ask(stream, "chardev-add", id=name, backend=backend)
                try:
                    _ask(stream, "device_add", id=name, **values)
                except NotAdded:
                    _ask(stream, "chardev-remove", id=name)
                    raise
    except OSError as error:
        raise NotAdded(f"its monitor does not answer: {error}") from error


def _ask(stream, execute: str, **arguments: object) -> None:
    stream.write(json.dumps({"execute": execute, "arguments": arguments}) + "\n")
    stream.flush()
    for line in stream:  # events may come before the answer
        said = json.loads(line)
        if "error" in said:
            raise NotAdded(f"{execute}: {said['error']['desc']}")
        if "return" in said:
            return
    raise NotAdded(f"{execute}: QEMU ended")
