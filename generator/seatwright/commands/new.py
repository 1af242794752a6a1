"""``seatwright new``: a small site to start from."""

from __future__ import annotations

import json
import shlex
from pathlib import Path

import click

from seatwright.commands.common import Refused, Status
from seatwright.findings.words import printable
from seatwright.render.errors import RenderError
from seatwright.render.repository import FOLDER, find_repository

STARTER = """\
# yaml-language-server: $schema=rendered/schema/site.json
#
# A small site that renders as it is. Replace what is invented (all ids that begin with 1209)
# by what is there: "lsusb" and "lsusb -t" on a client show ids and port paths.

seatwright: 1
site: TITLE
# Larger sites are split: files: [models/*.yml, rooms/*.yml]

models:
  first-model:
    arch: arm64
    link: 1 Gb/s
    # The USB devices that a client of this model lives on. They are never redirected.
    # A client whose network adapter is not on USB says network: internal instead.
    onboard:
      - {port: "1-1", id: "1209:0001", class: hub}
      - {port: "1-1.1", id: "1209:0002", class: communications, carries: network}
    # The USB ports that people can reach, by the words people have for them.
    sockets:
      - {port: "1-1.2", label: front, speed: high}
      - {port: "1-1.3", label: back, speed: high}

peripherals:
  scanner:
    id: "1209:0003"
    interfaces: [image]

policies:
  # What no line names stays at the seat.
  visitors:
    redirect: [mass-storage]    # goes to the guest by itself
    offer: [scanner]            # goes when the person at the seat picks it

hosts:
  first-host:
    address: first-host.example
    listen: "::"

rooms:
  first-room:
    policy: visitors
    model: first-model
    host: first-host
    ports: 3                    # as many devices at a time as people plug in
    seats: [seat-1 to seat-4]

# Statements that every check proves.
promises:
  - {room: first-room, device: scanner, offer: true}
"""


@click.command()
@click.argument("directory", type=click.Path(path_type=Path))
def command(directory: Path) -> int:
    """Write a small site to DIRECTORY (inventories/<name>) that renders as it is.

    Nothing is overwritten.
    """
    file = directory / "site.yml"
    refuse_where_nothing_renders(file)
    title = printable(directory.resolve().name.replace("-", " ").replace("_", " ").strip().title())
    content = STARTER.replace("TITLE", json.dumps(title or "A Site", ensure_ascii=False), 1)
    try:
        directory.mkdir(parents=True, exist_ok=True)
        with open(file, "x", encoding="utf-8") as opened:
            opened.write(content)
    except FileExistsError as error:
        raise Refused(
            f"{error.filename} is there already; nothing was written.",
            "Give another folder, or take that file away first.",
        ) from None
    click.echo(f"Wrote {file}.\nNext: seatwright check {shlex.quote(str(file))}")
    return Status.FINE


def refuse_where_nothing_renders(file: Path) -> None:
    """A site that could not be rendered from where it lies is no good start."""
    try:
        find_repository(file)
    except RenderError as error:
        hint = f"Give {FOLDER}/<name>, with letters, digits, dots, hyphens and underscores."
        raise Refused(error.message, hint) from None
