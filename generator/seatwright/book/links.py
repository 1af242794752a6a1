"""What peripherals need of a seat's link, and how much that can come to at one time.

Counted is what the description says: the link of the model, and what each peripheral needs.  The
picture on the screen and everything else on the network share the same link.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from seatwright.book.effects import Effects, Thing
from seatwright.plan import Cell, Plan, RuleSet
from seatwright.policy.proofs import spots

MOST_BARS = 10
"""Peripherals that are drawn; the smaller ones are counted."""

Needs = tuple[tuple[str, int], ...]
"""Titles and bits per second, the greediest first."""


@dataclass(frozen=True, slots=True)
class Budget:
    """Bits per second. ``most`` is the sum of as many needs as a guest has ports.

    ``models`` are titles, ``rooms`` names of those that it holds for.
    """

    link: int
    ports: int
    needs: Needs
    most: int
    models: tuple[str, ...]
    rooms: tuple[str, ...]

    @property
    def shown(self) -> Needs:
        """The needs that are drawn."""
        return self.needs[:MOST_BARS]


def budgets(plan: Plan, effects: Effects) -> tuple[Budget, ...]:
    """One for each link, number of ports and set of peripherals that can come through there."""
    folded: dict[tuple[int, int, Needs], list[Cell]] = {}
    known: dict[str, Needs] = {}
    for cell in plan.cells.values():
        needs = known.get(cell.rules)
        if needs is None:
            needs = known[cell.rules] = tuple(_needs(plan, plan.rules[cell.rules], effects))
        if needs:
            key = (plan.models[cell.model].link, _ports(plan, cell), needs)
            folded.setdefault(key, []).append(cell)
    return tuple(
        Budget(
            link=link,
            ports=ports,
            needs=needs,
            most=sum(need for _, need in needs[:ports]),
            models=tuple(dict.fromkeys(plan.models[cell.model].title for cell in cells)),
            rooms=tuple(dict.fromkeys(cell.room for cell in cells)),
        )
        for (link, ports, needs), cells in folded.items()
    )


def rate_words(bits: int) -> str:
    """``38 MB/s``: in bytes, as peripherals' papers have it."""
    return _scaled(bits / 8, ("B/s", "kB/s", "MB/s", "GB/s"))


def link_words(bits: int) -> str:
    """``1 Gb/s``: in bits, as networks have it."""
    return _scaled(bits, ("b/s", "kb/s", "Mb/s", "Gb/s"))


def _scaled(size: float, units: tuple[str, ...]) -> str:
    """With one decimal below 10, where there is one."""
    at = 0
    while size >= 1000 and at < len(units) - 1:
        size, at = size / 1000, at + 1
    return (
        f"{size:.0f} {units[at]}" if size >= 10 or size == int(size) else f"{size:.1f} {units[at]}"
    )


def _ports(plan: Plan, cell: Cell) -> int:
    """The most ports that a guest of these seats has."""
    return max(len(plan.guests[plan.seats[seat].guest].ports) for seat in cell.seats)


def _needs(plan: Plan, rules: RuleSet, effects: Effects) -> Iterator[tuple[str, int]]:
    """The peripherals that may pass somewhere at the seat, with what they need."""
    wanted = [one for one in plan.peripherals.values() if one.needs is not None]
    for one in sorted(wanted, key=lambda found: -(found.needs or 0)):
        thing = Thing(peripheral=one.name)
        if any(effects.effect(spot, thing) != "keep" for spot in spots(rules)):
            yield one.title or one.name, one.needs or 0
