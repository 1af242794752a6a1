"""``seatwright survey``: a client looked at, and the model that says what it is."""

from __future__ import annotations

import socket
from collections.abc import Sequence
from dataclasses import dataclass
from ipaddress import ip_address
from pathlib import Path
from typing import Any

import click

from seatwright.commands.common import Refused, Status, log
from seatwright.findings.words import printable, shown
from seatwright.site.kind import Misread
from seatwright.site.scalars import Name
from seatwright.survey.here import Places
from seatwright.survey.model import WalkedSocket, model_text
from seatwright.survey.onboard import Knowledge
from seatwright.survey.report import as_json, report
from seatwright.survey.script import SCRIPT
from seatwright.survey.seen import Address
from seatwright.survey.sources import (
    CaptureFile,
    Client,
    Source,
    SourceError,
    ThisMachine,
    look_at,
)
from seatwright.survey.ways import ways
from seatwright.survey.write import findings_of, write_new
from seatwright.usb.capture import CaptureError

PATH = click.Path(path_type=Path)


@dataclass(frozen=True, slots=True)
class Asked:
    """What stands on the command line."""

    ssh: str | None
    ssh_config: Path | None
    capture: Path | None
    sys: Path | None
    bare: Path | None
    toward: tuple[str, ...]
    save: Path | None
    model: str | None
    output: Path | None
    as_json: bool


@click.command()
@click.option("--ssh", metavar="CLIENT", help="Look at a client over ssh.")
@click.option("--ssh-config", type=PATH, metavar="FILE", help="With --ssh: its configuration.")
@click.option("--capture", type=PATH, metavar="FILE", help="Read what the script printed.")
@click.option("--sys", type=PATH, metavar="DIRECTORY", help="Look there in place of /sys.")
@click.option("--bare", type=PATH, metavar="FILE", help="A capture with nothing plugged in.")
@click.option("--toward", multiple=True, metavar="HOST", help="A host that it has to reach.")
@click.option("--save", type=PATH, metavar="FILE", help="Keep the capture in a new file.")
@click.option("--model", metavar="NAME", help="Write the model, by this name, to a new file.")
@click.option("--output", "-o", type=PATH, metavar="FILE", help="With --model: not NAME.yml.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
@click.option("--script", is_flag=True, help="Print the script that makes a capture.")
def command(script: bool, **words: Any) -> int:
    """Look at a client: every USB device, and which of them are onboard and why.

    \b
    Where it is looked: this machine, a client over ssh (one connection, a short shell
    script on its standard input, nothing installed), or a capture made before:
      seatwright survey --ssh rr-01
      seatwright survey --ssh rr-01 --model ridge -o inventories/library/models/ridge.yml
      seatwright survey --script > look.sh    # on the client: sh look.sh > capture.txt
      seatwright survey --capture capture.txt --bare nothing-plugged-in.txt

    Nothing is changed anywhere; files are new ones, never written over. What is not sure is
    marked "decide" in the model, and is for a person who knows the client.
    """
    if script:
        click.echo(SCRIPT, nl=False)
        return Status.FINE
    asked = Asked(**words)
    name = model_name(asked.model)
    source = source_of(asked)
    known = knowledge(source, asked)
    click.echo(as_json(known) if asked.as_json else report(source.name, known), nl=False)
    if name:
        write_model(known, name, asked.output or Path(f"{name}.yml"))
    return Status.FINE


def model_name(text: str | None) -> str | None:
    """The name given to a model; Refused where it cannot be one."""
    try:
        return None if text is None else Name().parse(text)
    except Misread as misread:
        raise Refused(f"--model: {misread.message}", misread.hint) from None


def source_of(asked: Asked) -> Source:
    """Where to look; Refused where several places were given."""
    given = [one for one in (asked.ssh, asked.capture, asked.sys) if one is not None]
    if len(given) > 1:
        raise Refused("--ssh, --capture and --sys are different places.", "Give one of them.")
    if asked.ssh_config and not asked.ssh:
        raise Refused("--ssh-config goes with --ssh.")
    if asked.ssh is not None:
        return Client(asked.ssh, asked.ssh_config)
    if asked.capture is not None:
        return CaptureFile(asked.capture)
    if asked.sys is not None and not asked.sys.is_dir():
        raise Refused(f"{printable(str(asked.sys))} is no directory.")
    return ThisMachine(Places("/sys", "/proc") if asked.sys is None else Places.of(str(asked.sys)))


def knowledge(source: Source, asked: Asked) -> Knowledge:
    """All that is known of the client; Refused where it cannot be looked at."""
    toward = [address for host in asked.toward for address in addresses(host)]
    try:
        look, text = look_at(source)
        bare = look_at(CaptureFile(asked.bare))[0] if asked.bare else None
    except SourceError as error:
        status = Status.MISSING if error.missing else Status.UNUSABLE
        raise Refused(error.message, error.hint, status) from None
    except CaptureError as error:
        raise Refused(printable(str(error)), error.hint) from None
    if asked.save:
        write(asked.save, text)
    return Knowledge(look, ways(look, toward), bare)


def addresses(host: str) -> Sequence[Address]:
    """The addresses of a host; Refused where it has none."""
    try:
        return [ip_address(host)]
    except ValueError:
        pass
    try:
        found = socket.getaddrinfo(host, None, type=socket.SOCK_STREAM)
    except (OSError, UnicodeError):
        raise Refused(
            f"--toward: {shown(host)} has no address that is known here.", "Give its address."
        ) from None
    return [ip_address(str(one[4][0]).partition("%")[0]) for one in found]


def write_model(
    known: Knowledge, name: str, path: Path, walked: Sequence[WalkedSocket] = ()
) -> None:
    """The model in a new file; Refused where it could not be used as it is."""
    if known.look.unreadable:
        error = known.look.unreadable[0]
        raise Refused(f"No model was written: {printable(str(error))}.", error.hint)
    text = model_text(name, known, walked)
    if wrong := findings_of(text):
        raise Refused(f"No model was written, it could not be used: {wrong[0].message}")
    write(path, text)


def write(path: Path, text: str) -> None:
    """A new file; Refused where one is there."""
    try:
        write_new(path, text)
    except FileExistsError:
        raise Refused(
            f"{printable(str(path))} is there already, and was left as it is.",
            "Give another name, or take that file away first.",
        ) from None
    log(f"Wrote {printable(str(path))}.")
