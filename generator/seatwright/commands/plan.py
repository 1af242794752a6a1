"""``seatwright plan``: the site fully resolved, as JSON or in words."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import click

from seatwright.capacity.words import link_sentences
from seatwright.commands.common import Status, log, say, site_argument
from seatwright.commands.planned import plan_site
from seatwright.findings.words import printable
from seatwright.plan import Plan, PlannedRoom, to_json
from seatwright.policy.words import room_sentences


@click.command()
@site_argument
@click.option("--json", "as_json", is_flag=True, help="As JSON (the default).")
@click.option("--summary", "in_words", is_flag=True, help="In a few sentences for each room.")
def command(site: Path, as_json: bool, in_words: bool) -> int:
    """Print the plan of SITE: everything looked up, compiled and counted; nothing is written.

    Its JSON Schema is printed by "seatwright schema plan". Numbers that are not in
    allocations.yml yet are those that the next render will give.
    """
    if as_json and in_words:
        raise click.UsageError("--json and --summary are two forms of one answer: take one.")
    found = plan_site(site)
    if found.errors:
        say(found.errors, found.sources)
        log("seatwright: a site with errors has no plan.")
        return Status.FINDINGS
    plan = found.planned.plan
    if in_words:
        click.echo("\n".join(summary(plan)))
    else:
        click.echo(to_json(plan), nl=False)
    if found.findings:
        log(f"{len(found.findings)} findings; see: seatwright check {site}")
    return Status.FINE


def summary(plan: Plan) -> Iterator[str]:
    """The site in words: how much there is of everything, then room by room."""
    counts = (
        (plan.rooms, "room"),
        (plan.seats, "seat"),
        (plan.models, "model"),
        (plan.hosts, "host"),
        (plan.rules, "rule set"),
    )
    yield f"{printable(plan.site)}: {', '.join(_counted(len(all_), word) for all_, word in counts)}"
    for room in plan.rooms.values():
        yield ""
        yield from _room(plan, room)
    if plan.links:
        yield ""
        yield "Links (seatwright budget says more)"
        yield from (f"  {printable(sentence)}" for sentence in link_sentences(plan))


def _room(plan: Plan, room: PlannedRoom) -> Iterator[str]:
    seats = _counted(len(room.seats), "seat")
    yield f"{room.name} ({seats}, policy {room.policy}, {_counted(room.ports, 'port')} each)"
    for sentence in room_sentences(plan, room):
        yield f"  {sentence}"


def _counted(count: int, word: str) -> str:
    return f"{count} {word}{'' if count == 1 else 's'}"
