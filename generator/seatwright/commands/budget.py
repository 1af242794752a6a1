"""``seatwright budget``: what links carry, and which peripherals fit."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import click
import msgspec
from msgspec import structs

from seatwright.capacity.budget import Budget, Group, Shared, make_budget
from seatwright.capacity.words import budget_lines
from seatwright.commands.common import Refused, Status, log, say, site_argument, working
from seatwright.commands.planned import plan_site
from seatwright.findings.words import hint_for, printable_json, shown
from seatwright.plan import Plan, PlannedDemand, PlannedLink, Value
from seatwright.policy.proofs import Proofs


class BudgetDocument(Value, frozen=True, kw_only=True):
    """What ``seatwright budget --json`` prints; all rates in bits per second."""

    format: int
    site: str
    demands: dict[str, PlannedDemand]
    links: dict[str, PlannedLink]
    groups: tuple[Group, ...]
    shared: tuple[Shared, ...]


@click.command()
@site_argument
@click.argument("where", metavar="[ROOM|SEAT]", required=False)
@click.option("--json", "as_json", is_flag=True, help="As JSON (seatwright schema budget).")
def command(site: Path, where: str | None, as_json: bool) -> int:
    """Say what the links of SITE leave, what each peripheral needs of them, and what fits.

    Every number is computed: USB's transfer tables, the headers of usbredir, SPICE, TLS, TCP and
    Ethernet, the round trips of each request. What the screens take, how far the hosts are away and
    how many seats are busy at one time are assumptions that the site states (screen, round-trip,
    at-once).
    """
    found = plan_site(site)
    if found.errors:
        say(found.errors, found.sources)
        log("seatwright: a site with errors has no budget.")
        return Status.FINDINGS
    plan = found.planned.plan
    with working("Adding up …"):
        budget = _at(plan, make_budget(Proofs(plan)), where)
    if as_json:
        click.echo(to_json(plan, budget), nl=False)
    else:
        click.echo("\n".join(budget_lines(plan, budget)))
    return Status.FINE


def _at(plan: Plan, budget: Budget, where: str | None) -> Budget:
    """Only a room or a seat, without what many share; Refused where there is none of that name."""
    if where is None:
        return budget
    if where not in plan.rooms and where not in plan.seats:
        hint = hint_for(where, [*plan.rooms, *plan.seats])
        raise Refused(f"There is no room and no seat {shown(where)}.", hint)
    return Budget(groups=tuple(_groups(budget, where, where in plan.rooms)), shared=())


def _groups(budget: Budget, where: str, is_room: bool) -> Iterator[Group]:
    for group in budget.groups:
        if is_room and group.room == where:
            yield group
        elif not is_room and where in group.seats:
            yield structs.replace(group, seats=(where,))


def to_json(plan: Plan, budget: Budget) -> str:
    """The budget with what its names stand for; keys sorted, two blanks a level."""
    used = {group.link for group in budget.groups}
    document = BudgetDocument(
        format=1,
        site=plan.site,
        demands={n: one.demand for n, one in plan.peripherals.items() if one.demand},
        links={n: structs.replace(one, fits={}) for n, one in plan.links.items() if n in used},
        groups=budget.groups,
        shared=budget.shared,
    )
    text = msgspec.json.format(msgspec.json.encode(document, order="sorted"), indent=2)
    return printable_json(text.decode()) + "\n"


def budget_schema() -> dict[str, object]:
    """JSON Schema 2020-12 of what :func:`to_json` writes."""
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "A budget",
        **msgspec.json.schema(BudgetDocument),
    }
