"""``seatwright survey --peripheral``: a plugged device into the site's own file."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import click

from seatwright.client.files import Owner, write_atomic
from seatwright.commands.check import all_findings
from seatwright.commands.common import Refused, Status, already_there, log
from seatwright.commands.planned import plan_site
from seatwright.findings import Finding
from seatwright.findings.finding import Severity
from seatwright.findings.words import listed, printable, shown
from seatwright.site.compose import Composed
from seatwright.site.read import compose_all, pairs_of, site_file
from seatwright.site.scalars import TEXT_LENGTH
from seatwright.survey.model import called, speed_name
from seatwright.survey.onboard import Knowledge, standings
from seatwright.survey.peripheral import SECTION, CannotInsert, Entry, entry_of, inserted
from seatwright.survey.seen import SeenDevice
from seatwright.usb.capture import CapturedDevice, CaptureError
from seatwright.usb.descriptors import read_descriptors
from seatwright.usb.device import Device
from seatwright.whole import write_new

FOLDER = "devices"
"""Where files of descriptors go, below the site's folder."""


@dataclass(frozen=True, slots=True)
class Found:
    """A device that can be taken: ``place`` is where it was found, for a person."""

    place: str
    device: Device
    title: str
    speed: str = ""
    descriptors: bytes = b""

    @property
    def id(self) -> str:
        """``1209:0003``."""
        return f"{self.device.vendor:04x}:{self.device.product:04x}"


def of_client(known: Knowledge) -> list[Found]:
    """What is plugged in: no hubs, and nothing that is onboard for sure."""
    taken = [one.device for one in standings(known) if not (one.onboard and one.sure)]
    return [_of_seen(one) for one in taken if not one.hub]


def _of_seen(one: SeenDevice) -> Found:
    device = Device(
        one.vendor,
        one.product,
        one.bcd_device,
        one.device_class,
        one.device_subclass,
        one.device_protocol,
        interfaces=tuple(each.codes for each in one.interfaces),
        configured=one.active is not None,
    )
    return Found(str(one.port), device, called(one), speed_name(one.speed), one.descriptors)


def of_text(devices: Sequence[CapturedDevice]) -> list[Found]:
    """What ``lsusb -v`` printed, hubs left out."""
    return [
        Found(f"line {one.line}", one.device(), f"{one.manufacturer} {one.title}".strip())
        for one in devices
        if one.device_class != 0x09
    ]


def chosen(found: Sequence[Found], word: str | None) -> Found:
    """The one device there is, or that with the id or port path given; Refused otherwise."""
    fitting = [one for one in found if word in (None, one.id, one.place)]
    ids = {one.id for one in fitting}
    if len(fitting) == 1 or (fitting and word is not None and len(ids) == 1):
        return fitting[0]
    names = [
        f"{one.id} at {one.place} ({printable(one.title or 'without a name')})" for one in found
    ]
    there = f"There are {listed(names, 'and')}." if names else "Plug it in, and look again."
    if not found:
        raise Refused("No device is plugged in that could be a peripheral.", there)
    if not fitting:
        raise Refused(f"No device {shown(word or '')} is plugged in.", there)
    raise Refused("Several devices are plugged in.", f"{there} Choose one: --device ID or PORT.")


def add(site: Path, name: str, found: Found) -> int:
    """Put the device into the site, where the whole site still reads with it; Refused otherwise."""
    if not found.device.configured:
        raise Refused(f"{found.id} has no active configuration: what it is cannot be seen.")
    composed, _ = compose_all(site_file(site))
    before = _errors(site_file(site))
    folder = site_file(site).parent
    data = readable(found)
    descriptors = f"{FOLDER}/{name}.descriptors" if data else ""
    entry = entry_of(
        name, found.device, found.title[:TEXT_LENGTH].strip(), found.speed, descriptors
    )
    target = _target(composed)
    path = Path(target.name)
    text = _inserted(target, entry)
    wrong = _new_errors(composed, folder, path, text, (descriptors, data), before)
    if wrong:
        raise Refused(f"Nothing was written: {wrong[0].message}", wrong[0].hint)
    _write(path, text, folder / descriptors if descriptors else None, data)
    click.echo("".join(entry.lines("  ", "  ")), nl=False)
    log(f"Wrote {name} to {printable(target.name)}.")
    return Status.FINE


def readable(found: Found) -> bytes:
    """The device's descriptors; none, and a word about it, where they are broken."""
    if not found.descriptors:
        return b""
    try:
        read_descriptors(found.descriptors, f"the descriptors of {found.id}")
    except CaptureError as error:
        log(f"Left out: {printable(str(error))}.")
        return b""
    return found.descriptors


def _target(composed: Sequence[Composed]) -> Composed:
    """The file that has peripherals already, or the site's own."""
    for file in composed:
        if any(key.value == SECTION for key, _ in pairs_of(file.root)):
            return file
    if composed[0].root is None:
        raise Refused(f"{printable(composed[0].name)} cannot be read.", "See: seatwright check")
    return composed[0]


def _inserted(target: Composed, entry: Entry) -> str:
    try:
        return inserted(target.text, entry)
    except CannotInsert as error:
        lines = "".join(entry.lines("  ", "  ")).rstrip()
        raise Refused(
            f"{printable(target.name)} was left as it is: {printable(str(error))}.",
            f"By hand it would be, below {SECTION}:\n{lines}",
        ) from None


def _errors(site: Path) -> set[tuple[str, str]]:
    return {(one.slug, one.message) for one in _findings(site)}


def _findings(site: Path) -> list[Finding]:
    """The errors of a site, its proofs included."""
    told: list[Finding] = []
    try:
        found = all_findings(plan_site(site, lambda findings, _: told.extend(findings)))
    except click.exceptions.Exit:
        found = ()
    return [one for one in (*told, *found) if one.severity is Severity.ERROR]


def _new_errors(
    composed: Sequence[Composed],
    folder: Path,
    changed: Path,
    text: str,
    descriptors: tuple[str, bytes],
    before: set[tuple[str, str]],
) -> list[Finding]:
    """What would be wrong with the site that is not wrong now, found on a copy of it."""
    with tempfile.TemporaryDirectory(prefix="seatwright-") as work:
        copy = Path(work, "site")
        skipped = shutil.ignore_patterns("rendered", ".*")
        shutil.copytree(folder, copy, ignore=skipped, ignore_dangling_symlinks=True)
        (copy / changed.absolute().relative_to(folder.absolute())).write_text(
            text, encoding="utf-8"
        )
        if descriptors[0]:
            (copy / descriptors[0]).parent.mkdir(exist_ok=True)
            (copy / descriptors[0]).write_bytes(descriptors[1])
        site = copy / Path(composed[0].name).name
        return [one for one in _findings(site) if (one.slug, one.message) not in before]


def _write(path: Path, text: str, beside: Path | None, data: bytes) -> None:
    """The descriptors first: the site never names a file that is not there."""
    if beside:
        beside.parent.mkdir(exist_ok=True)
        try:
            write_new(beside, data)
        except FileExistsError:
            raise already_there(beside) from None
    try:
        status = path.stat()
        owner = Owner(status.st_uid, status.st_gid, status.st_mode & 0o7777)
        write_atomic(path.resolve(), text.encode(), owner=owner)
    except OSError:
        if beside:
            beside.unlink(missing_ok=True)
        raise
