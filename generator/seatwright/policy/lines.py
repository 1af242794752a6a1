"""Lines of a policy against each other: contradicting, never heard, or needless."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from seatwright.plan import PlannedLine, PlannedModel, PlannedPolicy
from seatwright.policy.table import (
    Key,
    Node,
    Rank,
    Ruling,
    Tables,
    classes_of,
    key_of,
    lineage,
    make_policy_tables,
    overlaid,
    rank,
    ruling_of,
    sorted_lines,
)
from seatwright.usb.classes import HUB


@dataclass(frozen=True, slots=True)
class Contradiction:
    """Two lines of one rank that say different things at a point."""

    first: PlannedLine
    second: PlannedLine


@dataclass(frozen=True, slots=True)
class IdleLine:
    """A line that never decides anything on this model, and what decides in its place.

    ``otherwise`` is true where one of those says something else than the line.
    """

    line: PlannedLine
    deciders: tuple[str, ...]
    otherwise: bool


@dataclass(frozen=True, slots=True)
class NeedlessLine:
    """A line that decides somewhere, where without it ``instead`` would decide the same."""

    line: PlannedLine
    instead: str


def contradictions(policy: PlannedPolicy) -> tuple[Contradiction, ...]:
    """Every pair of lines of one rank, at one node, with a class in common and two verdicts."""
    groups: dict[tuple[str | None, Rank, Key], list[PlannedLine]] = {}
    for line in policy.lines:
        groups.setdefault((line.socket, rank(line)[1], key_of(line)), []).append(line)
    return tuple(
        Contradiction(first, second)
        for lines in groups.values()
        for position, first in enumerate(lines)
        for second in lines[position + 1 :]
        if first.verdict != second.verdict and _share_a_class(first, second)
    )


def idle_lines(policy: PlannedPolicy, model: PlannedModel, tables: Tables) -> tuple[IdleLine, ...]:
    """The lines that decide at no point of any table; those of sockets the model lacks aside."""
    deciding = {
        ruling.origin
        for table in tables.all()
        for _, node in table.nodes()
        for _, ruling in node.rulings()
    }
    labels = {None, *(socket.label for socket in model.sockets)}
    return tuple(
        _idle(line, tables)
        for line in policy.lines
        if line.socket in labels and line.origin not in deciding
    )


def needless_lines(policy: PlannedPolicy) -> tuple[NeedlessLine, ...]:
    """The lines without which every point would have the verdict it has, from another line.

    A line that says what would happen without any line at all is not among them.
    """
    tables = make_policy_tables(policy)
    lines = sorted_lines(policy.lines)
    found = []
    for line in policy.lines:
        key, classes = key_of(line), classes_of(line)
        if line.socket is None:
            here, below = tables.room.node(key), Node({}, Ruling(0, policy.origin))
        else:
            here, below = tables.sockets[line.socket].node(key), tables.room.node(key)
        rivals = (
            ruling_of(other)
            for other in lines
            if other is not line and other.socket == line.socket and key_of(other) in lineage(key)
        )
        without = overlaid(rivals, below)
        codes = classes or {*here.named, *without.named}
        pairs = [(here.at(code), without.at(code)) for code in codes]
        pairs += [] if classes else [(here.other, without.other)]
        decided = [(now, then) for now, then in pairs if now.line is line]
        if decided and all(_says_as_much(now, then) for now, then in decided):
            found.append(NeedlessLine(line, decided[0][1].origin))
    return tuple(found)


def _says_as_much(now: Ruling, then: Ruling) -> bool:
    """Whether a wider line says the same (one of the same rank is never heard: see idle lines)."""
    if now.line is None or then.line is None or now.level != then.level:
        return False
    return rank(now.line) < rank(then.line)


def _share_a_class(first: PlannedLine, second: PlannedLine) -> bool:
    ours, theirs = classes_of(first), classes_of(second)
    return not ours or not theirs or not set(ours).isdisjoint(theirs)


def _idle(line: PlannedLine, tables: Tables) -> IdleLine:
    """What decides at the points that the line speaks of."""
    key = key_of(line)
    deciders = {
        ruling.origin: ruling
        for table in tables.where(line)
        for at, node in (*table.nodes(), (key, table.node(key)))
        if key in lineage(at)
        for ruling in _spoken_of(node, classes_of(line))
    }
    otherwise = any(ruling.verdict != line.verdict for ruling in deciders.values())
    return IdleLine(line, tuple(sorted(deciders)), otherwise)


def _spoken_of(node: Node, classes: Sequence[int]) -> Iterator[Ruling]:
    """The rulings for some classes (empty: all); the hub's only for a line about hubs alone."""
    if tuple(classes) == (HUB,):
        yield node.at(HUB)
    elif classes:
        yield from (node.at(code) for code in classes if code != HUB)
    else:
        yield from (ruling for code, ruling in node.rulings() if code != HUB)
