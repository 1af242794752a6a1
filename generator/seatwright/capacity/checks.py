"""Findings about links: what does not fit, what fits only alone, what many share."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from seatwright.capacity.budget import Group, Row, Shared, make_budget
from seatwright.capacity.fits import LATEST, MILLION
from seatwright.capacity.words import (
    BASIS,
    adapter_words,
    link_words,
    sockets_words,
    time_words,
)
from seatwright.findings.finding import SourcePath
from seatwright.findings.problem import Problem
from seatwright.findings.words import listed, shown
from seatwright.plan import Plan, PlannedDemand, PlannedFit, PlannedLink, source_path
from seatwright.policy.proofs import Proofs

SLUGS = {"link": "link-too-slow", "adapter": "link-too-slow", "socket": "socket-too-slow"}
SHOWN = 3
"""Peripherals that a message names before it counts the rest."""

HINTS = {
    "link": "Let it go where the link is faster, or give less to the screen.",
    "adapter": "Let it go where the adapter is faster, or in a socket on another bus.",
    "socket": "Let it go in a faster socket only.",
}


@dataclass(slots=True)
class Found:
    """The same numbers at some seats."""

    row: Row
    fit: PlannedFit
    link: PlannedLink
    seats: list[str]


def link_checks(proofs: Proofs) -> Iterator[Problem]:
    """What a plan's budget has to say; the same thing of many seats once."""
    plan, budget = proofs.plan, make_budget(proofs)
    yield from _too_much(plan, budget.groups)
    yield from _only_alone(plan, budget.groups)
    for shared in budget.shared:
        if shared.at_once > shared.rate:
            yield _shared(plan, shared)


def _too_much(plan: Plan, groups: Sequence[Group]) -> Iterator[Problem]:
    """Peripherals in sockets where they do not fit even by themselves."""
    found: dict[tuple[str, str, PlannedFit], Found] = {}
    for group in groups:
        for row in group.rows:
            for fit in row.fits:
                if not fit.fits:
                    key = (row.peripheral, group.link, fit)
                    known = found.setdefault(key, Found(row, fit, plan.links[group.link], []))
                    known.seats.extend(group.seats)
    for one in found.values():
        demand = plan.peripherals[one.row.peripheral].demand
        if demand is not None and one.fit.limit == "round-trip":
            yield _too_far(plan, one, one.fit, demand)
        elif demand is not None:
            yield _too_slow(plan, one, one.fit, demand)


def _only_alone(plan: Plan, groups: Sequence[Group]) -> Iterator[Problem]:
    """Seats whose links carry some peripherals only by themselves, rooms alike together."""
    found: dict[tuple[str, int, tuple[Row, ...]], list[Group]] = {}
    for group in groups:
        alone = tuple(row for row in group.rows if row.verdict == "fits alone")
        if alone:
            found.setdefault((group.link, group.ports, alone), []).append(group)
    for (_, ports, rows), alike in found.items():
        seats = [seat for group in alike for seat in group.seats]
        names = listed([row.peripheral for row in rows[:SHOWN]], "and")
        more = f" and {len(rows) - SHOWN} more" if len(rows) > SHOWN else ""
        most = max(row.beside + min(fit.share for fit in row.fits) for row in rows)
        yield Problem(
            "only-alone",
            (*source_path(plan.rooms[alike[0].room].origin), "ports"),
            f"{names}{more} at {_seats(seats)} fit{'s' if len(rows) == 1 else ''} only alone: with "
            f"the greediest peripherals in all {ports} ports the link would need "
            f"{100 * most / MILLION:.0f}% of what it leaves.",
            "Nothing to do where people use one of them at a time; or give the guests fewer ports.",
        )


def _too_slow(plan: Plan, found: Found, fit: PlannedFit, demand: PlannedDemand) -> Problem:
    model = plan.models[found.link.model]
    what = {
        "link": f"the {link_words(found.link.rate)} link",
        "adapter": f"its {adapter_words(found.link)}",
        "socket": "a socket of that speed",
    }[fit.limit]
    best = [label for one in found.row.fits if one.fits for label in one.sockets]
    hint = f"It fits in {listed(map(shown, best), 'and')}." if best else HINTS[fit.limit]
    adapter = next((one.origin for one in model.onboard if one.carries == "network"), model.origin)
    also = source_path(model.origin if fit.limit != "adapter" else adapter)
    return Problem(
        SLUGS[fit.limit],
        *_place(plan, found),
        hint=hint,
        message=f"{found.row.peripheral} at {_seats(found.seats)} needs {_needs(demand)}"
        f"{sockets_words(fit)}; {what} leaves {link_words(fit.leaves)}.",
        also=((also, f"the model {model.name}"),),
        at_key=True,
    )


def _too_far(plan: Plan, found: Found, fit: PlannedFit, demand: PlannedDemand) -> Problem:
    trip, who = (
        time_words(found.link.round_trip),
        f"{found.row.peripheral} at {_seats(found.seats)}",
    )
    if fit.delay is not None and demand.kind is not None and fit.delay > LATEST[demand.kind]:
        what = "sound" if demand.kind == "sound" else "a movement"
        said = (
            f"{what} of {who} comes {time_words(fit.delay)} "
            f"late with a round trip of {trip}; {time_words(LATEST[demand.kind])} is the most."
        )
        message = said[0].upper() + said[1:]
        hint = "Keep it at the seat, or run the guest on a host that is nearer."
    else:
        message = (
            f"{who} needs {_needs(demand)}; its driver asks "
            f"for {demand.request:,} bytes at a time, which with {demand.trips} round trips of "
            f"{trip} each makes {link_words(fit.leaves)}{sockets_words(fit)}."
        )
        hint = "Say request: where its driver asks for more, or run the guest on a nearer host."
    return Problem("too-far-away", *_place(plan, found), hint=hint, message=message, at_key=True)


def _shared(plan: Plan, shared: Shared) -> Problem:
    if shared.kind == "switch":
        path = (*source_path(plan.switches[shared.name].origin), "uplink")
        what = f"the {link_words(shared.rate)} uplink of {shared.name}"
    else:
        path = (*source_path(plan.hosts[shared.name].origin), "link")
        what = f"the {link_words(shared.rate)} link of {shared.name}"
    return Problem(
        "uplink-too-slow",
        path,
        f"{shared.seats} seats share {what}: with the stated share of them busy they ask for "
        f"{link_words(shared.at_once)}, with all of them for {link_words(shared.worst)}.",
        "Say at-once: where fewer are busy at one time, or move guests to another host.",
    )


def _place(plan: Plan, found: Found) -> tuple[SourcePath]:
    """The key that says what it needs; the peripheral itself where none does."""
    peripheral = plan.peripherals[found.row.peripheral]
    path = source_path(peripheral.origin)
    demand = peripheral.demand
    return ((*path, demand.basis) if demand and demand.basis != "class" else path,)


def _needs(demand: PlannedDemand) -> str:
    rate = link_words(demand.rate or 0)
    if demand.basis == "needs":
        return rate
    return f"{rate} ({BASIS[demand.basis]}: {demand.words})"


def _seats(seats: Sequence[str]) -> str:
    first, count = seats[0], len(seats)
    if count == 1:
        return f"seat {first}"
    return f"seat {first} and {count - 1} other{'s' if count > 2 else ''}"
