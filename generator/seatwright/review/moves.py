"""To which devices something else happens, exactly."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from seatwright.plan import Plan, PlannedPeripheral, RuleSet, VerdictWord
from seatwright.policy.algebra import Region
from seatwright.policy.algebra.regions import where
from seatwright.policy.proofs import Proofs, Spot, spots_at

RANK = {"keep": 0, "offer": 1, "redirect": 2}
"""How much a verdict lets through."""

Bits = Callable[[int, int, int, int], int]
"""From the classes that pass (old permitted, old redirect, new permitted, new redirect)."""

MOVES: tuple[tuple[VerdictWord, VerdictWord, Bits], ...] = (
    ("keep", "redirect", lambda p, r, q, s: s & ~p),
    ("keep", "offer", lambda p, r, q, s: q & ~s & ~p),
    ("offer", "redirect", lambda p, r, q, s: s & p & ~r),
    ("redirect", "offer", lambda p, r, q, s: r & q & ~s),
    ("redirect", "keep", lambda p, r, q, s: r & ~q),
    ("offer", "keep", lambda p, r, q, s: p & ~r & ~q),
)
"""What can become of a device; those that let more through first."""


@dataclass(frozen=True, slots=True)
class Move:
    """The points to which one thing happened and now another does.

    ``devices`` are the site's peripherals whose every shape moves so.
    """

    was: VerdictWord
    becomes: VerdictWord
    devices: tuple[str, ...]
    regions: tuple[Region, ...]

    @property
    def lets_more_through(self) -> bool:
        """Whether it is a step from keep towards redirect."""
        return RANK[self.becomes] > RANK[self.was]


@dataclass(frozen=True, slots=True)
class SpotMoves:
    """What moves at a socket, or (None) at all ports without lines of their own."""

    socket: str | None
    moves: tuple[Move, ...]


class Mover:
    """Two plans whose rule sets are compared pair by pair, each pair once."""

    def __init__(self, old: Plan, new: Plan) -> None:
        self._old, self._new = old, new
        self._proofs = Proofs(new)
        self._known: dict[tuple[str, str], tuple[SpotMoves, ...]] = {}

    def spots(self, before: str, after: str) -> tuple[SpotMoves, ...]:
        """What moves between two rule sets, by their names in the old and the new plan.

        A socket stands there only where something else moves than at the other ports.
        """
        known = self._known.get((before, after))
        if known is None:
            pair = self._old.rules[before], self._new.rules[after]
            known = self._known[before, after] = tuple(self._spots(*pair))
        return known

    def _spots(self, before: RuleSet, after: RuleSet) -> Iterator[SpotMoves]:
        elsewhere = self._moves(spots_at(before, None)[0], spots_at(after, None)[0])
        if elsewhere:
            yield SpotMoves(None, elsewhere)
        labels = dict.fromkeys(one.label for one in (*before.sockets, *after.sockets))
        for label in labels:
            moves = self._moves(spots_at(before, label)[0], spots_at(after, label)[0])
            if moves != elsewhere:
                yield SpotMoves(label, moves)

    def _moves(self, before: Spot, after: Spot) -> tuple[Move, ...]:
        lists = (before.permitted, before.redirect, after.permitted, after.redirect)
        outcomes = [self._proofs.outcome(rules) for rules in lists]
        if outcomes[:2] == outcomes[2:]:
            return ()
        return tuple(
            Move(was, becomes, self._moved(was, becomes, before, after), regions)
            for was, becomes, bits in MOVES
            if (regions := where(outcomes, bits))
        )

    def _moved(
        self, was: VerdictWord, becomes: VerdictWord, before: Spot, after: Spot
    ) -> tuple[str, ...]:
        return tuple(
            one.name
            for one in self._new.peripherals.values()
            if self._always(before, one) == was and self._always(after, one) == becomes
        )

    def _always(self, spot: Spot, peripheral: PlannedPeripheral) -> VerdictWord | None:
        """What happens to every shape of a peripheral, or None where it depends."""
        if self._proofs.some_kept(spot.redirect, peripheral) is None:
            return "redirect"
        if self._proofs.some_through(spot.permitted, peripheral) is None:
            return "keep"
        if self._proofs.some_through(spot.redirect, peripheral) is not None:
            return None
        return "offer" if self._proofs.some_kept(spot.permitted, peripheral) is None else None
