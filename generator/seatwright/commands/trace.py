"""``seatwright trace``: one device at a seat or in a room, rule by rule."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import click

from seatwright.commands.common import Refused, Status, log, site_argument
from seatwright.commands.planned import PlannedSite, plan_site
from seatwright.findings.words import hint_for, listed, printable, shown
from seatwright.plan import Plan, source_path
from seatwright.site.kind import Misread
from seatwright.site.lines import InterfaceKind, UsbClass
from seatwright.site.units import bcd, usb_id
from seatwright.trace.places import shared_places, units_at
from seatwright.trace.subject import Subject, of_capture, of_id, of_peripheral
from seatwright.trace.text import UsbName, format_text
from seatwright.trace.trace import Question, trace
from seatwright.trace.types import TraceDocument, to_json
from seatwright.usb.capture import CapturedDevice, CaptureError
from seatwright.usb.device import Interface
from seatwright.usb.ids import system_ids
from seatwright.usb.lsusb import load_lsusb
from seatwright.usb.portpath import PortPath, PortPathError, parse_port_path
from seatwright.usb.sysfs import read_tree


@dataclass(frozen=True, slots=True)
class Asked:
    """What stands on the command line about the device."""

    device: str | None
    interfaces: str | None
    usb_class: str | None
    bcd: str | None
    lsusb: Path | None
    sys: Path | None
    chosen: str | None


@click.command()
@site_argument
@click.argument("device", required=False)
@click.option("--at", required=True, metavar="NAME", help="A seat or a room.")
@click.option("--socket", metavar="LABEL", help="Plugged in there only.")
@click.option("--port", metavar="PATH", help='At this port path only, such as "2-3.1".')
@click.option("--every-socket", is_flag=True, help="With --sys: not only where it was found.")
@click.option("--interfaces", metavar="LIST", help='Of an id: "image,vendor-specific", "hid/1/1".')
@click.option("--class", "usb_class", metavar="CLASS", help="Of an id: its device class.")
@click.option("--bcd", metavar="VERSION", help='Of an id: its bcdDevice, such as "1.10".')
@click.option("--lsusb", type=click.Path(path_type=Path), help='What "lsusb -v" prints.')
@click.option("--sys", type=click.Path(path_type=Path), help="A copy of /sys/bus/usb/devices.")
@click.option("--device", "chosen", metavar="ID", help="Of several captured: only this one.")
@click.option("--json", "as_json", is_flag=True, help="As JSON (seatwright schema trace).")
def command(
    site: Path, at: str, socket: str | None, port: str | None, every_socket: bool, as_json: bool,
    **about: Any,
) -> int:  # fmt: skip
    """Say what happens to a DEVICE at a seat or in a room of SITE, and why.

    \b
    DEVICE is a peripheral's name or an id; or it is captured (--lsusb, --sys):
      seatwright trace site.yml card-reader --at front-desk
      seatwright trace site.yml 1209:0003 --interfaces smart-card --at rr-01 --port 2-3.1
      seatwright trace site.yml --lsusb devices.txt --device 1209:0003 --at rr-01

    First comes a sentence for a colleague, then each layer: the guard of port paths, the client's
    lists (decided strictly, with what usbredir by itself would say), the device node, the host's
    filter, the redirection ports of the guest.
    """
    found = plan_site(site)
    plan = found.planned.plan
    question = question_of(plan, at, socket, port)
    subjects, errors = subjects_of(plan, Asked(**about))
    traces = tuple(
        trace(plan, one, _where_found(one, question, every_socket), locator(found))
        for one in subjects
    )
    document = TraceDocument(format=1, site=plan.site, at=at, traces=traces)
    text = to_json(document) if as_json else format_text(document, usb_names())
    click.echo(text, nl=False)
    if found.errors:
        log(f"seatwright: the site has errors and cannot be rendered; see: seatwright check {site}")
    return Status.UNUSABLE if errors and about["chosen"] is None else Status.FINE


def locator(found: PlannedSite) -> Callable[[str], str]:
    """Where a path of the description stands."""
    places = found.reading.places
    return lambda origin: str(places.find(source_path(origin), key=True)) if origin else ""


def usb_names() -> UsbName:
    """Names from this machine's usb.ids, if it has one."""
    ids = system_ids()
    return ids.name if ids else lambda *_: ""


def question_of(plan: Plan, at: str, socket: str | None, port: str | None) -> Question:
    """The seats and the place asked about; Refused where they do not exist."""
    if socket is not None and port is not None:
        raise Refused("Both a socket and a port path were given.", "Give one of the two.")
    try:
        units = units_at(plan, at)
    except KeyError:
        raise Refused(
            f"There is no room and no seat {shown(at)}.", hint_for(at, [*plan.rooms, *plan.seats])
        ) from None
    if not units:
        raise Refused(f"The room {at} has no seats, so no device can be plugged in there.")
    labels = list(shared_places(units))
    if socket is not None and socket not in labels:
        raise Refused(f"No client there has a socket {shown(socket)}.", hint_for(socket, labels))
    return Question(at, units, socket, port_of(port))


def port_of(text: str | None) -> PortPath | None:
    """The port path given; Refused where it is none."""
    if text is None:
        return None
    try:
        return parse_port_path(text)
    except PortPathError as error:
        raise Refused(f"--port: {error.message}.", f"{error.hint}.") from None


def _where_found(subject: Subject, question: Question, every_socket: bool) -> Question:
    """A captured device is asked about at the port where it was found, unless said otherwise."""
    given = question.socket is not None or question.port is not None
    if subject.port is None or given or every_socket:
        return question
    return Question(question.at, question.units, None, parse_port_path(subject.port))


def subjects_of(plan: Plan, asked: Asked) -> tuple[list[Subject], int]:
    """The devices asked about, and how many of a capture could not be read."""
    sources = [one for one in (asked.device, asked.lsusb, asked.sys) if one is not None]
    if len(sources) != 1:
        raise Refused(
            "One device is wanted: a name or an id, --lsusb FILE, or --sys DIRECTORY.",
            "Of several captured devices choose one with --device ID." if sources else "",
        )
    if asked.device is None:
        if (asked.interfaces, asked.usb_class, asked.bcd) != (None, None, None):
            raise Refused("A captured device says itself what it is.", "Take those options away.")
        return captured(plan, asked)
    if asked.chosen is not None:
        raise Refused("--device chooses out of --lsusb or --sys.", "Take it away.")
    return [named(plan, asked.device, asked)], 0


def named(plan: Plan, device: str, asked: Asked) -> Subject:
    """A peripheral by its name, or an id with what the options say."""
    if device in plan.peripherals:
        if (asked.interfaces, asked.usb_class, asked.bcd) != (None, None, None):
            raise Refused(
                "--interfaces, --class and --bcd go with an id.",
                f"The site describes what {device} is; give its id to try another form.",
            )
        return of_peripheral(plan.peripherals[device])
    if ":" not in device:
        raise Refused(
            f"There is no peripheral {shown(device)}.", hint_for(device, plan.peripherals)
        )
    try:
        vendor, product = usb_id(device)
        version = None if asked.bcd is None else bcd(asked.bcd)
        usb_class = 0 if asked.usb_class is None else UsbClass.parse(asked.usb_class)
        return of_id(plan, vendor, product, version, usb_class, interfaces_of(asked.interfaces))
    except Misread as misread:
        raise Refused(misread.message, misread.hint) from None


def interfaces_of(text: str | None) -> tuple[Interface, ...] | None:
    """``image,hid/1/1``; raises Misread."""
    if text is None:
        return None
    kind = InterfaceKind()
    return tuple(kind.parse(part.strip()) for part in text.split(","))


def captured(plan: Plan, asked: Asked) -> tuple[list[Subject], int]:
    """The devices of a capture, all or those with the id chosen."""
    devices, errors = read_capture(asked)
    if asked.chosen is not None:
        chosen = chosen_id(asked.chosen)
        fitting = [one for one in devices if (one.vendor, one.product) == chosen]
        ids = [f"{one.vendor:04x}:{one.product:04x}" for one in devices]
    else:
        fitting, ids = list(devices), []
    if asked.chosen is None or not fitting:
        for error in errors:
            say_capture_error(error)
    if not fitting:
        hint = f"There are {listed(dict.fromkeys(ids), 'and')}." if ids else ""
        what = f"device {asked.chosen}" if asked.chosen and ids else "device that can be read"
        raise Refused(f"The capture has no {printable(what)}.", hint)
    return [of_capture(plan, one) for one in fitting], len(errors)


def read_capture(asked: Asked) -> tuple[Sequence[CapturedDevice], Sequence[CaptureError]]:
    """What the file or the directory holds."""
    if asked.lsusb is not None:
        text = load_lsusb(asked.lsusb)
        return text.devices, text.errors
    if asked.sys is None or not asked.sys.is_dir():
        raise Refused(f"{printable(str(asked.sys))} is no directory.")
    tree = read_tree(asked.sys)
    return tree.devices, tree.errors


def chosen_id(text: str) -> tuple[int, int]:
    """The id given with --device."""
    try:
        return usb_id(text)
    except Misread as misread:
        raise Refused(f"--device: {misread.message}", misread.hint) from None


def say_capture_error(error: CaptureError) -> None:
    """Where a capture cannot be read, with the line."""
    log(printable(str(error)))
    if error.source:
        log(f"    {printable(error.source)}")
        log(f"    {' ' * len(printable(error.source[: error.column - 1]))}^")
    if error.hint:
        log(f"hint: {error.hint}")
