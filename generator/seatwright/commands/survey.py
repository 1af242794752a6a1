"""``seatwright survey``: a client looked at, and the model that says what it is."""

from __future__ import annotations

import socket
from collections.abc import Sequence
from dataclasses import dataclass
from ipaddress import ip_address
from pathlib import Path
from typing import Any

import click

from seatwright.commands.common import Refused, Status, already_there, log
from seatwright.findings.words import hint_for, printable, shown
from seatwright.site.kind import Misread
from seatwright.site.scalars import Name
from seatwright.survey.here import Places
from seatwright.survey.likeness import differences, expected_from
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
from seatwright.survey.write import findings_of
from seatwright.usb.capture import CaptureError
from seatwright.whole import write_new

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
    sockets: bool
    diff: str | None
    peripheral: str | None
    device: str | None
    lsusb: Path | None
    as_json: bool


@click.command()
@click.argument("site", metavar="[SITE]", required=False, type=PATH)
@click.option("--ssh", metavar="CLIENT", help="Look at a client over ssh.")
@click.option("--ssh-config", type=PATH, metavar="FILE", help="With --ssh: its configuration.")
@click.option("--capture", type=PATH, metavar="FILE", help="Read what the script printed.")
@click.option("--sys", type=PATH, metavar="DIRECTORY", help="Look there in place of /sys.")
@click.option("--bare", type=PATH, metavar="FILE", help="A capture with nothing plugged in.")
@click.option("--toward", multiple=True, metavar="HOST", help="A host that it has to reach.")
@click.option("--save", type=PATH, metavar="FILE", help="Keep the capture in a new file.")
@click.option("--model", metavar="NAME", help="Write the model, by this name, to a new file.")
@click.option("--output", "-o", type=PATH, metavar="FILE", help="With --model: not NAME.yml.")
@click.option("--sockets", is_flag=True, help="With --model: walk through the sockets first.")
@click.option("--diff", metavar="MODEL", help="Say how the client differs from a model of SITE.")
@click.option(
    "--peripheral", metavar="NAME", help="Put what is plugged in into SITE, by this name."
)
@click.option("--device", metavar="ID|PORT", help="With --peripheral: of several, this one.")
@click.option("--lsusb", type=PATH, help='With --peripheral: read what "lsusb -v" printed.')
@click.option("--json", "as_json", is_flag=True, help="As JSON (seatwright schema survey).")
@click.option("--script", is_flag=True, help="Print the script that makes a capture.")
def command(script: bool, site: Path | None, **words: Any) -> int:
    """Look at a client: every USB device, and which of them are onboard and why.

    \b
    Where it is looked: this machine, a client over ssh (one connection, a short shell
    script on its standard input, nothing installed), or a capture made before:
      seatwright survey --ssh rr-01
      seatwright survey --ssh rr-01 --model ridge -o inventories/library/models/ridge.yml
      seatwright survey --ssh rr-01 --model ridge --sockets
      seatwright survey --script > look.sh    # on the client: sh look.sh > capture.txt
      seatwright survey --capture capture.txt --bare nothing-plugged-in.txt

    \b
    With a site, whether a client is like a model (status 1 where it is not), or what is plugged
    in becomes a peripheral, in the site's own file, whose other lines stay as they are:
      seatwright survey inventories/library --diff ridge --ssh rr-01
      seatwright survey inventories/library --peripheral till-drawer --ssh rr-01

    Nothing is changed on a client; models are new files, never written over. What is not sure is
    marked "decide" in the model, and is for a person who knows the client.
    """
    if script:
        click.echo(SCRIPT, nl=False)
        return Status.FINE
    asked = Asked(**words)
    refuse_mixtures(asked, site)
    if asked.peripheral and site:
        return take(site, valid_name("--peripheral", asked.peripheral), asked)
    if asked.diff and site:
        return compare(site, asked.diff, asked)
    return survey(asked)


def refuse_mixtures(asked: Asked, site: Path | None) -> None:
    """Refused where words do not go together."""
    for name, wants_site in (("--diff", asked.diff), ("--peripheral", asked.peripheral)):
        if wants_site and site is None:
            raise Refused(f"{name} needs the SITE.", f"seatwright survey SITE {name} NAME …")
    if site is not None and not (asked.diff or asked.peripheral):
        raise Refused("A SITE goes with --diff or --peripheral.")
    if len([one for one in (asked.diff, asked.peripheral, asked.model) if one]) > 1:
        raise Refused("--diff, --peripheral and --model are different things.", "Give one of them.")
    if asked.sockets and not asked.model:
        raise Refused("--sockets goes with --model: what it learns is part of one.")
    if (asked.device or asked.lsusb) and not asked.peripheral:
        raise Refused("--device and --lsusb go with --peripheral.")


def survey(asked: Asked) -> int:
    """Look, report, and write the model where one is wanted."""
    name = valid_name("--model", asked.model) if asked.model else ""
    path = asked.output or Path(f"{name}.yml")
    if name and path.exists():
        raise already_there(path)
    source = source_of(asked)
    walked: Sequence[WalkedSocket] = ()
    if asked.sockets:
        from seatwright.commands.survey_walk import walk_through

        walk = walk_through(source)
        ports = tuple(port for one in walk.sockets for port in one.ports)
        found = ways(walk.bare, toward(asked))
        known, walked = Knowledge(walk.bare, found, walk.bare, ports), walk.sockets
    else:
        known = knowledge(source, asked)
    click.echo(as_json(known) if asked.as_json else report(source.name, known), nl=False)
    if name:
        write_model(known, name, path, walked)
    return Status.FINE


def compare(site: Path, model: str, asked: Asked) -> int:
    """How the client differs from a model of the site."""
    from seatwright.commands.planned import plan_site
    from seatwright.render.values import model as as_written
    from seatwright.render.values import onboard

    models = plan_site(site).planned.plan.models
    if model not in models:
        raise Refused(f"There is no model {shown(model)}.", hint_for(model, models))
    document = {**as_written(models[model]), "onboard": onboard(models[model].onboard)}
    source = source_of(asked)
    known = knowledge(source, asked)
    found = differences(expected_from(document), known.look)
    for one in found:
        click.echo(f"{'Stops a run: ' if one.stops else ''}{printable(one.sentence)}")
    for error in known.look.unreadable:
        click.echo(f"Not readable: {printable(str(error))}.")
    if not found:
        click.echo(f"{printable(source.name)} is like its model {model}.")
    return Status.FINDINGS if found or known.look.unreadable else Status.FINE


def take(site: Path, name: str, asked: Asked) -> int:
    """What is plugged in, into the site."""
    from seatwright.commands.survey_peripheral import add, chosen, of_client, of_text
    from seatwright.commands.trace import say_capture_error
    from seatwright.usb.lsusb import load_lsusb

    if asked.lsusb:
        if asked.ssh or asked.capture or asked.sys:
            raise Refused("--lsusb is a source of its own.", "Take the other one away.")
        text = load_lsusb(asked.lsusb)
        for error in text.errors:
            say_capture_error(error)
        found = of_text(text.devices)
    else:
        found = of_client(knowledge(source_of(asked), asked))
    return add(site, name, chosen(found, asked.device))


def valid_name(option: str, text: str) -> str:
    """A name of the site's own; Refused where it cannot be one."""
    try:
        return Name().parse(text)
    except Misread as misread:
        raise Refused(f"{option}: {misread.message}", misread.hint) from None


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
    to_reach = toward(asked)
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
    return Knowledge(look, ways(look, to_reach), bare)


def toward(asked: Asked) -> list[Address]:
    """The addresses of the hosts named."""
    return [address for host in asked.toward for address in addresses(host)]


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
        write_new(path, text.encode())
    except FileExistsError:
        raise already_there(path) from None
    log(f"Wrote {printable(str(path))}.")
