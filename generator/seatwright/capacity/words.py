"""Rates, times and limits in words."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from seatwright.capacity.budget import Budget, Group, Row, Shared
from seatwright.findings.words import listed, printable, shown
from seatwright.plan import Plan, PlannedDemand, PlannedFit, PlannedLink

USB = {"low": "USB 1.1", "full": "USB 1.1", "high": "USB 2", "super": "USB 3"}
"""What people call the speeds."""

BASIS = {
    "needs": "declared",
    "stream": "by its stream",
    "descriptors": "by its descriptors",
    "class": "taken by its class",
}
"""Where a rate comes from."""


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


def time_words(microseconds: int) -> str:
    """``0.5 ms``, ``31 s``, ``14 min``."""
    if microseconds < 1_000_000:
        return f"{microseconds / 1000:.3g} ms"
    seconds = microseconds / 1_000_000
    if seconds < 600:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 36_000 else f"{seconds / 3600:,.0f} h"


def needs_words(demand: PlannedDemand) -> str:
    """``304 Mb/s, declared``; or that it takes what there is."""
    if demand.rate is None:
        return demand.words if demand.words == "not known" else "takes what there is"
    return f"{link_words(demand.rate)}, {BASIS[demand.basis]}"


def adapter_words(link: PlannedLink) -> str:
    """The adapter with its own speed where that is known."""
    if link.adapter is None:
        return "adapter"
    return f"adapter, itself on {USB[link.adapter]} ({link.adapter} speed),"


def fit_words(fit: PlannedFit) -> str:
    """One line of a peripheral's numbers."""
    where = f"{listed(map(printable, fit.sockets), 'and')}: " if fit.sockets else ""
    said = f"{where}{link_words(fit.leaves)} left ({fit.limit.replace('-', ' ')})"
    if fit.copy is not None:
        said += f", 1 GB in {time_words(fit.copy * 1000)}"
    return said if fit.delay is None else f"{said}, {time_words(fit.delay)} late"


def budget_lines(plan: Plan, budget: Budget) -> Iterator[str]:
    """The budget as text, group by group, then what many share."""
    for at, group in enumerate(budget.groups):
        if at:
            yield ""
        yield from _group_lines(plan, group)
    if budget.shared:
        yield ""
        yield "Shared by many"
        yield from _aligned([shared_cells(one) for one in budget.shared])
    yield from computed_words(plan, budget)


def computed_words(plan: Plan, budget: Budget) -> Iterator[str]:
    """Which of the numbers nobody has measured anything like."""
    used = {row.peripheral: None for group in budget.groups for row in group.rows}
    demands = ((name, plan.peripherals[name].demand) for name in used)
    computed = [name for name, demand in demands if demand and not demand.measured]
    if computed:
        yield ""
        yield f"Computed, not measured: {listed(computed, 'and')}."


def link_sentences(plan: Plan) -> Iterator[str]:
    """Each model's link in a sentence, with the peripherals that do not fit it, allowed or not."""
    for link in plan.links.values():
        slow = [
            f"{name}{sockets_words(fit)}"
            for name, fits in link.fits.items()
            for fit in fits
            if not fit.fits
        ]
        what = f"; does not fit: {', '.join(slow)}" if slow else ""
        yield f"{link.model}: {link_line(link)}{what}."


def link_line(link: PlannedLink) -> str:
    """What a link is and leaves, with the assumptions."""
    adapter = f", adapter on {USB[link.adapter]}" if link.adapter else ""
    return (
        f"{link_words(link.rate)} link{adapter}: {link_words(link.leaves)} left beside "
        f"{link_words(link.screen)} for the screen; round trip {time_words(link.round_trip)}"
    )


def _group_lines(plan: Plan, group: Group) -> Iterator[str]:
    link = plan.links[group.link]
    title = printable(plan.rooms[group.room].title)
    seats = group.seats[0] if len(group.seats) == 1 else f"{group.seats[0]} … {group.seats[-1]}"
    ports = f"{group.ports} port{'' if group.ports == 1 else 's'}"
    yield f"{title}: {seats} ({len(group.seats)}, {group.model}, {ports} each)"
    yield f"  {link_line(link)}"
    if not group.rows:
        yield "  No peripheral may pass."
    yield from _aligned([cells for row in group.rows for cells in row_cells(plan, row)])


def row_cells(plan: Plan, row: Row) -> Iterator[tuple[str, ...]]:
    """A peripheral's line, and one more for each further kind of socket."""
    demand = plan.peripherals[row.peripheral].demand
    needs = needs_words(demand) if demand else ""
    first, *more = row.fits
    yield row.peripheral, needs, row.verdict, fit_words(first)
    for fit in more:
        yield "", "", "", fit_words(fit)


def shared_cells(one: Shared) -> tuple[str, ...]:
    """An uplink's or a host's line."""
    fits = "fits" if one.worst <= one.rate else "fits at the stated share"
    if one.at_once > one.rate:
        fits = "does not fit"
    return (
        f"{one.kind} {one.name}",
        f"{link_words(one.rate)} for {one.seats} seat{'' if one.seats == 1 else 's'}",
        fits,
        f"{link_words(one.at_once)} at the stated share, {link_words(one.worst)} at worst",
    )


def _aligned(rows: Sequence[tuple[str, ...]]) -> Iterator[str]:
    """Columns as wide as their widest text, the last one free."""
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    for row in rows:
        padded = (text.ljust(width) for text, width in zip(row, widths, strict=True))
        yield f"  {'  '.join(padded)}".rstrip()


def sockets_words(fit: PlannedFit) -> str:
    """`` in the socket "front"``; nothing where the model describes none."""
    if not fit.sockets:
        return ""
    word = "socket" if len(fit.sockets) == 1 else "sockets"
    return f" in the {word} {listed(map(shown, fit.sockets), 'and')}"
