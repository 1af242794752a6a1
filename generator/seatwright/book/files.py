"""The book's pictures as files of their own."""

from __future__ import annotations

from collections.abc import Iterator

from seatwright.book.effects import Effects
from seatwright.book.links import links_of
from seatwright.book.pictures import budget_picture, shared_picture, topology_picture
from seatwright.book.png import png_of
from seatwright.book.sheets import seats_alike, sheet_picture
from seatwright.book.svg import alone, words_of
from seatwright.book.topology import topology_of
from seatwright.book.words import Words
from seatwright.plan import Plan
from seatwright.render.quote import Quoted


def pictures(plan: Plan) -> Iterator[tuple[str, bytes]]:
    """Every picture of a plan as an SVG file and a PNG file: name and bytes, sorted by kind.

    ``tree-<model>``, ``sockets-<room>`` (``-2`` and so on for seats that look otherwise),
    ``link-<number>`` in the order of the book, and ``links-shared``.  Raises NoFont.
    """
    for name, drawn in _drawn(plan):
        content = alone(drawn)
        yield f"{name}.svg", content
        yield f"{name}.png", png_of(content, words_of(drawn))


def _drawn(plan: Plan) -> Iterator[tuple[str, Quoted]]:
    effects, words = Effects(plan), Words(plan.language)
    for model in plan.models.values():
        topology = topology_of(model)
        if topology.nodes:
            yield f"tree-{model.name}", topology_picture(model, topology)
    for room in plan.rooms.values():
        for number, alike in enumerate(seats_alike(plan, room, effects), 1):
            if alike.sockets:
                name = f"sockets-{room.name}" + (f"-{number}" if number > 1 else "")
                yield name, sheet_picture(alike, words)
    links = links_of(plan)
    for number, budget in enumerate(links.budgets, 1):
        yield f"link-{number}", budget_picture(budget)
    if links.shared:
        yield "links-shared", shared_picture(links.shared)
