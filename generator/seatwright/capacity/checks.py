"""Findings about links: what does not fit, what fits only alone, what many share."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from seatwright.capacity.budget import Row, Shared, make_budget
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
HINTS = {
    "link": "Let it go where the link is faster, or give less to the screen.",
    "adapter": "Let it go where the adapter is faster, or in a socket on another bus.",
    "socket": "Let it go in a faster socket only.",
}


@dataclass(slots=True)
class Found:
    """The same numbers at some seats."""

    row: Row
    fit: PlannedFit | None
    link: PlannedLink
    seats: list[str]


def link_checks(proofs: Proofs) -> Iterator[Problem]:
    """What a plan's budget has to say; the same thing of many seats once."""
    plan, budget = proofs.plan, make_budget(proofs)
    found: dict[tuple[object, ...], Found] = {}
    for group in budget.groups:
        for row in group.rows:
            for fit in _worth_saying(row):
                key = (row.peripheral, group.link, fit)
                known = found.setdefault(key, Found(row, fit, plan.links[group.link], []))
                known.seats.extend(group.seats)
    for one in found.values():
        demand = plan.peripherals[one.row.peripheral].demand
        if demand is not None:
            yield _problem(plan, one, demand)
    for shared in budget.shared:
        if shared.at_once > shared.rate:
            yield _shared(plan, shared)


def _worth_saying(row: Row) -> Iterator[PlannedFit | None]:
    """The sockets in which it does not fit; None where the others are the reason."""
    yield from (fit for fit in row.fits if not fit.fits)
    if row.verdict == "fits alone":
        yield None


def _problem(plan: Plan, found: Found, demand: PlannedDemand) -> Problem:
    if found.fit is None:
        return _only_alone(plan, found)
    if found.fit.limit == "round-trip":
        return _too_far(plan, found, found.fit, demand)
    return _too_slow(plan, found, found.fit, demand)


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
        message=f"{found.row.peripheral} at {_seats(found)} needs {_needs(demand)}"
        f"{sockets_words(fit)}; {what} leaves {link_words(fit.leaves)}.",
        also=((also, f"the model {model.name}"),),
        at_key=True,
    )


def _too_far(plan: Plan, found: Found, fit: PlannedFit, demand: PlannedDemand) -> Problem:
    trip = time_words(found.link.round_trip)
    if fit.delay is not None and demand.kind is not None and fit.delay > LATEST[demand.kind]:
        what = "sound" if demand.kind == "sound" else "a movement"
        said = (
            f"{what} of {found.row.peripheral} at {_seats(found)} comes {time_words(fit.delay)} "
            f"late with a round trip of {trip}; {time_words(LATEST[demand.kind])} is the most."
        )
        message = said[0].upper() + said[1:]
        hint = "Keep it at the seat, or run the guest on a host that is nearer."
    else:
        message = (
            f"{found.row.peripheral} at {_seats(found)} needs {_needs(demand)}; its driver asks "
            f"for {demand.request:,} bytes at a time, which with {demand.trips} round trips of "
            f"{trip} each makes {link_words(fit.leaves)}{sockets_words(fit)}."
        )
        hint = "Say request: where its driver asks for more, or run the guest on a nearer host."
    return Problem("too-far-away", *_place(plan, found), hint=hint, message=message, at_key=True)


def _only_alone(plan: Plan, found: Found) -> Problem:
    share = min(fit.share for fit in found.row.fits)
    return Problem(
        "only-alone",
        *_place(plan, found),
        hint="Nothing to do where people use one at a time; or give the guests fewer ports.",
        message=f"{found.row.peripheral} at {_seats(found)} takes {_percent(share)} of what the "
        f"link leaves; the greediest others that the guest has ports for take "
        f"{_percent(found.row.beside)}.",
        at_key=True,
    )


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


def _seats(found: Found) -> str:
    first, count = found.seats[0], len(found.seats)
    if count == 1:
        return f"seat {first}"
    return f"seat {first} and {count - 1} other{'s' if count > 2 else ''}"


def _percent(share: int) -> str:
    return f"{100 * share / MILLION:.0f}%"
