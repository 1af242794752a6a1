"""``seatwright twin``: a seat and its guest in an emulator, to try a policy before people do."""

from __future__ import annotations

from pathlib import Path

import click

from seatwright.commands.common import Refused, Status, log, say, site_argument, working
from seatwright.commands.planned import plan_site
from seatwright.findings.words import hint_for, shown
from seatwright.plan import Plan
from seatwright.rehearsal.errors import RehearsalError
from seatwright.twin.pair import Twin
from seatwright.twin.rehearse import Tried, rehearse, trials


@click.command()
@site_argument
@click.argument("name")
@click.option(
    "--picture",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Write what the seat's screen shows at the end, as PNG.",
)
def command(site: Path, name: str, picture: Path | None) -> int:
    """Try the seat NAME of SITE, or the first seat of the room NAME, in an emulator.

    The client has the hubs, the network adapter and the sockets of its model, a Debian that the
    rendered roles have provisioned, and its session; the guest has the planned redirection ports
    and the host's filter. Every peripheral of the site is plugged in at every kind of socket, and
    what arrives is compared with the plan. Needs root (or sudo) and about five minutes the first
    time.
    """
    found = plan_site(site)
    if found.errors:
        say(found.errors, found.sources)
        return Status.FINDINGS
    plan = found.planned.plan
    seat = seat_named(plan, name)
    try:
        return try_out(plan, seat, picture)
    except RehearsalError as error:
        raise Refused(str(error), error.hint, Status.MISSING) from error


def seat_named(plan: Plan, name: str) -> str:
    """The seat, or the first seat of the room; Refused where there is neither."""
    if name in plan.seats:
        return name
    room = plan.rooms.get(name)
    if room is None:
        hint = hint_for(name, [*plan.rooms, *plan.seats])
        raise Refused(f"There is no room and no seat {shown(name)}.", hint)
    if room.pilot is None:
        raise Refused(f"The room {name} has no seats.", "Name another room, or a seat.")
    return room.pilot


def try_out(plan: Plan, seat: str, picture: Path | None) -> int:
    """Boot the twin, try every device, say what became of it."""
    with working(f"Booting the twin of {seat}"):
        twin = Twin.boot(plan, seat)
    with twin:
        twin.client.wait_state("shown", 300)
        log(f"The twin of {seat} shows its guest.")
        wrong = 0
        for tried in rehearse(twin, trials(twin.plan, seat)):
            click.echo(sentence(tried))
            wrong += not tried.as_planned
        if picture is not None:
            twin.client.screenshot(picture.absolute())
    log(f"{wrong} not as planned." if wrong else "Everything as planned.")
    return Status.FINDINGS if wrong else Status.FINE


def sentence(tried: Tried) -> str:
    """One line of the result."""
    trial = tried.trial
    came = "arrived" if tried.arrived else "stayed"
    planned = "" if tried.as_planned else f" (planned: {'arrives' if trial.arrives else 'stays'})"
    return f"{trial.place}: {trial.peripheral}: {came}{planned}. {tried.said}"
