"""``seatwright enrol``: a new seat's host key, taken once it is known to be the seat's."""

from __future__ import annotations

from pathlib import Path

import click

from seatwright.commands.common import Refused, Status, log, site_argument
from seatwright.commands.image import refusing, sound
from seatwright.findings.words import hint_for, shown
from seatwright.image.enrol import Way, enrol, tell
from seatwright.site.read import site_file


@click.command()
@click.argument("seat")
@site_argument
@click.option("--fingerprint", help="The host key's fingerprint, as the seat's screen shows it.")
@click.option("--address", help="Where the seat is now; the address in the site where left out.")
@click.option("--tell", "told", is_flag=True, help="The seat waits: tell it that it is SEAT.")
@click.option(
    "--identity",
    type=click.Path(path_type=Path, dir_okay=False, exists=True),
    help="Private ssh key to come in with; ssh's own choice where left out.",
)
def command(
    seat: str,
    site: Path,
    fingerprint: str | None,
    address: str | None,
    told: bool,
    identity: Path | None,
) -> int:
    """Take the host key of SEAT into known_hosts beside SITE, so that Ansible comes in.

    Its card's one-time token vouches for the key where the card was written on this machine; else
    read the fingerprint at the seat and give it. Only then run clients.yml, which brings the seat
    its own guest's credential.
    """
    plan = sound(site).planned.plan
    if seat not in plan.seats:
        raise Refused(f"The site has no seat {shown(seat)}.", hint_for(seat, plan.seats))
    known = site_file(site).parent / "known_hosts"
    options = ("-i", str(identity)) if identity else ()
    way = Way(address or plan.seats[seat].address, plan.settings.access_user, options)
    with refusing():
        key = enrol(seat, way, known, fingerprint, plan.seats[seat].address)
        if key is None:
            raise Refused(
                f"Nothing says yet that the key of {way.address} is that of {seat}.",
                "Read the fingerprint at the seat's screen and give it with --fingerprint.",
                Status.FINDINGS,
            )
        if told:
            tell(way, seat, known)
    log(f"{known}: {seat} has the host key {key.fingerprint}. Now run clients.yml with -l {seat}.")
    return Status.FINE
