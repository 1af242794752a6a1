"""The pictures of the book: clients with their sockets, USB trees, link bars, moves."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from seatwright.book.links import Bar, Budget
from seatwright.book.svg import element, fit, joined, picture, text, wrap
from seatwright.book.topology import Node, Topology
from seatwright.capacity.budget import Shared
from seatwright.capacity.words import link_words, time_words
from seatwright.plan import PlannedModel, PlannedSocket, VerdictWord
from seatwright.render.quote import Quoted

SOCKET_WIDTH, SOCKET_HEIGHT, IN_A_ROW = 170, 64, 4
BOX_WIDTH, BOX_HEIGHT, COLUMN, ROW = 190, 46, 226, 60
BAR_LEFT, BAR_WIDTH, BAR_ROW, BAR_WORDS = 250, 300, 34, 330
LANES: tuple[VerdictWord, ...] = ("keep", "offer", "redirect")


def client_picture(title: str, sockets: Sequence[PlannedSocket], words: str, fast: str) -> Quoted:
    """A client and its sockets, numbered as in the table beside it; ``fast`` marks super speed.

    Where the sockets are on the case nobody has described, so they stand in a row as listed.
    """
    across = max(1, min(IN_A_ROW, len(sockets)))
    down = -(-len(sockets) // IN_A_ROW)
    labels = max((len(_label(one)) for one in sockets), default=1)
    tall = SOCKET_HEIGHT + 18 * labels
    width, height = across * SOCKET_WIDTH + 40, down * tall + 54
    case = element("rect", css="box", x=2, y=2, width=width - 4, height=height - 4, rx=14)
    name = text(22, 32, fit(title, width - 44, 16), 16, css="strong")
    drawn = [
        _socket(
            number,
            socket,
            20 + (number - 1) % IN_A_ROW * SOCKET_WIDTH,
            48 + (number - 1) // IN_A_ROW * tall,
            fast,
        )
        for number, socket in enumerate(sockets, 1)
    ]
    return picture(width, height, words, case, name, *drawn)


def _socket(number: int, socket: PlannedSocket, left: int, top: int, fast: str) -> Quoted:
    """A socket as one looks into it, its number, and its label below."""
    quick = socket.speed.startswith("super")
    parts = [
        element("circle", css="ink", cx=left + 16, cy=top + 26, r=14),
        text(left + 16, top + 31, str(number), 15, css="number strong", text_anchor="middle"),
        element("rect", css="box", x=left + 40, y=top + 8, width=96, height=36, rx=3),
        element(
            "rect", css="ink" if quick else "part", x=left + 48, y=top + 14, width=80, height=11
        ),
    ]
    if quick:
        parts.append(text(left + 88, top + 40, fit(fast, 84, 12), 12, text_anchor="middle"))
    parts += [
        text(left + 2, top + 66 + 18 * at, line, 14) for at, line in enumerate(_label(socket))
    ]
    return element("g", *parts)


def _label(socket: PlannedSocket) -> list[str]:
    return wrap(socket.label, SOCKET_WIDTH - 16, 14, 2)


def topology_picture(model: PlannedModel, topology: Topology) -> Quoted:
    """The USB tree of a model, from its buses on the left to its sockets on the right."""
    width = topology.columns * COLUMN - (COLUMN - BOX_WIDTH) + 12 * len(topology.same) + 20
    height = topology.rows * ROW
    words = (
        f"USB tree of {model.title}: {len(model.onboard)} onboard devices and "
        f"{len(model.sockets)} sockets; the same stands as a list below"
    )
    wires = [
        _wire(topology.nodes[node.parent], node)
        for node in topology.nodes
        if node.parent is not None
    ]
    pairs = [
        _pair(topology.nodes[one], topology.nodes[other], width - 12 * at - 6)
        for at, (one, other) in enumerate(topology.same)
    ]
    return picture(width, height, words, *wires, *pairs, *map(_node, topology.nodes))


def _corner(node: Node) -> tuple[float, float]:
    return node.column * COLUMN + 1, node.row * ROW + (ROW - BOX_HEIGHT) / 2


def _wire(start: Node, end: Node) -> Quoted:
    """From the right side of a hub to the left side of what is behind it."""
    (left, top), (to, below) = _corner(start), _corner(end)
    x, y, goal = left + BOX_WIDTH, top + BOX_HEIGHT / 2, below + BOX_HEIGHT / 2
    return element("path", css="wire", d=f"M{x:g} {y:g}H{(x + to) / 2:g}V{goal:g}H{to:g}")


def _pair(one: Node, other: Node, out: int) -> Quoted:
    """A dotted line round the right side: these two are one socket."""
    (left, top), (to, below) = _corner(one), _corner(other)
    middle = BOX_HEIGHT / 2
    return element(
        "path",
        css="same",
        d=f"M{left + BOX_WIDTH:g} {top + middle:g}H{out}V{below + middle:g}H{to + BOX_WIDTH:g}",
    )


CSS = {"bus": "part", "hub": "hub", "part": "part", "socket": "box", "place": "hub"}


def _node(node: Node) -> Quoted:
    left, top = _corner(node)
    shape: dict[str, float] = {"x": left, "y": top, "width": BOX_WIDTH, "height": BOX_HEIGHT}
    inside = BOX_WIDTH - 20
    parts = [
        element("rect", css=CSS[node.kind], rx=22 if node.kind == "hub" else 3, **shape),
        text(left + 12, top + 20, fit(node.title, inside, 14), 14, css="strong"),
        text(left + 12, top + 37, fit(node.below, inside, 12), 12, css="dim"),
    ]
    if node.kind == "socket":
        parts.append(
            element("rect", css="ink", x=left + BOX_WIDTH - 5, y=top, width=6, height=BOX_HEIGHT)
        )
    return element("g", *parts)


def budget_picture(budget: Budget) -> Quoted:
    """A bar for each peripheral: what it needs, and a mark at the most that the link leaves it."""
    link, bars = budget.link, budget.shown
    height = len(bars) * BAR_ROW + 26
    width = BAR_LEFT + BAR_WIDTH + BAR_WORDS
    words = f"A link of {link_words(link.rate)}: " + "; ".join(
        f"{bar.title}: {_bar_words(bar)}" for bar in bars
    )
    drawn = joined(
        part
        for at, bar in enumerate(bars)
        for part in _bar(at, bar.title, (bar.need or 0, bar.fit.leaves), link.rate, _bar_words(bar))
    )
    whole = (
        f"0 to {link_words(link.rate)}, the link; {link_words(link.leaves)} left beside the screen"
    )
    foot = text(BAR_LEFT, height - 6, whole, 12, css="dim")
    return picture(width, height, words, drawn, foot)


def _bar_words(bar: Bar) -> str:
    """``304 of 378 Mb/s: fits alone``; of what takes what there is, how long a large file takes."""
    if bar.need is not None:
        return f"{link_words(bar.need)} of {link_words(bar.fit.leaves)}: {bar.verdict}"
    if bar.fit.copy is None:
        return f"up to {link_words(bar.fit.leaves)}"
    return f"up to {link_words(bar.fit.leaves)}: 1 GB in {time_words(bar.fit.copy * 1000)}"


def shared_picture(shared: Sequence[Shared]) -> Quoted:
    """Uplinks and hosts: the stated share as a bar, the worst case as a mark, each by its rate."""
    said = [
        f"{link_words(one.at_once)}, at worst {link_words(one.worst)}, of {link_words(one.rate)}"
        for one in shared
    ]
    height = len(shared) * BAR_ROW + 26
    words = "Shared links: " + "; ".join(
        f"{one.kind} {one.name}: {line}" for one, line in zip(shared, said, strict=True)
    )
    drawn = joined(
        part
        for at, (one, line) in enumerate(zip(shared, said, strict=True))
        for part in _bar(at, f"{one.kind} {one.name}", (one.at_once, one.worst), one.rate, line)
    )
    foot = text(BAR_LEFT, height - 6, "0 to the whole link of each", 12, css="dim")
    return picture(BAR_LEFT + BAR_WIDTH + BAR_WORDS, height, words, drawn, foot)


def _bar(at: int, name: str, amounts: tuple[int, int], whole: int, said: str) -> Iterator[Quoted]:
    """A row: its name, a bar up to the first amount, a mark at the second, words behind."""
    top = at * BAR_ROW + 6
    filled, mark = (round(min(1.0, amount / whole) * BAR_WIDTH) for amount in amounts)
    yield text(BAR_LEFT - 10, top + 16, fit(name, BAR_LEFT - 14, 13), 13, text_anchor="end")
    yield element("rect", css="rest", x=BAR_LEFT, y=top, width=BAR_WIDTH, height=22)
    yield element("rect", css="bar", x=BAR_LEFT, y=top, width=filled, height=22)
    yield element("rect", css="ink", x=BAR_LEFT + mark - 1, y=top - 3, width=3, height=28)
    yield text(BAR_LEFT + BAR_WIDTH + 8, top + 16, fit(said, BAR_WORDS - 10, 13), 13)


def move_picture(was: VerdictWord, becomes: VerdictWord, names: dict[VerdictWord, str]) -> Quoted:
    """The three things that can happen, and an arrow from what was to what is now."""
    lane, width, height = 190, 570, 62
    parts = []
    for at, verdict in enumerate(LANES):
        here = "part" if verdict in (was, becomes) else "box"
        parts.append(
            element("rect", css=here, x=at * lane + 2, y=28, width=lane - 12, height=30, rx=3)
        )
        middle = at * lane + 2 + (lane - 12) / 2
        css = "strong" if verdict == becomes else "dim"
        parts.append(
            text(middle, 48, fit(names[verdict], lane - 20, 13), 13, text_anchor="middle", css=css)
        )
    start = LANES.index(was) * lane + (lane - 12) / 2
    end = LANES.index(becomes) * lane + (lane - 12) / 2
    parts.append(element("path", css="wire", d=f"M{start:g} 28V12H{end:g}V20"))
    parts.append(element("path", css="head", d=f"M{end - 6:g} 18H{end + 6:g}L{end:g} 28Z"))
    return picture(width, height, f"was: {names[was]}; now: {names[becomes]}", *parts)
