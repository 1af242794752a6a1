"""The book's pictures as files of their own."""

from __future__ import annotations

from collections.abc import Iterator

from seatwright.book.effects import Effects
from seatwright.book.links import budgets
from seatwright.book.pictures import budget_picture, topology_picture
from seatwright.book.sheets import seats_alike, sheet_picture
from seatwright.book.svg import alone
from seatwright.book.topology import topology_of
from seatwright.book.words import Words
from seatwright.plan import Plan


def pictures(plan: Plan) -> Iterator[tuple[str, bytes]]:
    """Every picture of a plan as an SVG file: its name and its bytes, sorted by kind.

    ``tree-<model>``, ``sockets-<room>`` (``-2`` and so on for seats that look otherwise), and
    ``link-<number>`` in the order of the book.
    """
    effects, words = Effects(plan), Words(plan.language)
    for model in plan.models.values():
        topology = topology_of(model)
        if topology.nodes:
            yield f"tree-{model.name}.svg", alone(topology_picture(model, topology))
    for room in plan.rooms.values():
        for number, alike in enumerate(seats_alike(plan, room, effects), 1):
            if alike.sockets:
                name = f"sockets-{room.name}" + (f"-{number}" if number > 1 else "")
                yield f"{name}.svg", alone(sheet_picture(alike, words))
    for number, budget in enumerate(budgets(plan, effects), 1):
        yield f"link-{number}.svg", alone(budget_picture(budget))
