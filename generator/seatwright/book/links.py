"""The link bars of the book: what peripherals need beside what links leave them."""

from __future__ import annotations

from dataclasses import dataclass

from seatwright.capacity.budget import Group, Row, Shared, make_budget
from seatwright.plan import Plan, PlannedFit, PlannedLink
from seatwright.policy.proofs import Proofs

MOST_BARS = 10
"""Peripherals that are drawn; the smaller ones are counted."""


@dataclass(frozen=True, slots=True)
class Bar:
    """A peripheral in its best socket; ``need`` is None where it takes what there is."""

    title: str
    need: int | None
    fit: PlannedFit
    verdict: str


@dataclass(frozen=True, slots=True)
class Budget:
    """Seats whose links carry the same; ``models`` are titles, ``rooms`` names."""

    link: PlannedLink
    ports: int
    bars: tuple[Bar, ...]
    models: tuple[str, ...]
    rooms: tuple[str, ...]

    @property
    def shown(self) -> tuple[Bar, ...]:
        """The bars that are drawn."""
        return self.bars[:MOST_BARS]


@dataclass(frozen=True, slots=True)
class Links:
    """All that the book says of links."""

    budgets: tuple[Budget, ...]
    shared: tuple[Shared, ...]


Key = tuple[tuple[int, str | None, int, int], int, tuple[Row, ...]]
"""What seats have in common whose bars are the same, whatever their model is called."""


def links_of(plan: Plan) -> Links:
    """The budgets of a plan, seats with the same numbers together."""
    budget = make_budget(Proofs(plan))
    folded: dict[Key, list[Group]] = {}
    for group in budget.groups:
        if group.rows:
            link = plan.links[group.link]
            numbers = (link.rate, link.adapter, link.screen, link.round_trip)
            folded.setdefault((numbers, group.ports, group.rows), []).append(group)
    budgets = tuple(
        Budget(
            link=plan.links[groups[0].link],
            ports=ports,
            bars=tuple(_bar(plan, row) for row in rows),
            models=tuple(dict.fromkeys(plan.models[one.model].title for one in groups)),
            rooms=tuple(dict.fromkeys(one.room for one in groups)),
        )
        for (_, ports, rows), groups in folded.items()
    )
    return Links(budgets, budget.shared)


def _bar(plan: Plan, row: Row) -> Bar:
    peripheral = plan.peripherals[row.peripheral]
    best = max(row.fits, key=lambda fit: (fit.fits, fit.leaves))
    need = peripheral.demand.rate if peripheral.demand else None
    return Bar(peripheral.title or peripheral.name, need, best, row.verdict)
