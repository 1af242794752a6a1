"""The layers say the same, wherever both can tell: the proof, list by list.

What the client redirects it permits; what it permits at any port path the host permits; and the
device nodes that may be opened are those of permitted devices, neither more nor fewer.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from seatwright.findings.problem import Problem
from seatwright.plan import RuleSet, source_path
from seatwright.policy.algebra import AnyRule, Region, device_at, included
from seatwright.policy.algebra.wording import region_words
from seatwright.policy.proofs import Proofs, node_rules, spots, witness_of
from seatwright.policy.words import NAMES


def disagreeing_layers(proofs: Proofs) -> Iterator[Problem]:
    """Every pair of layers of which the inner one lets something through beyond the outer."""
    for rules in proofs.plan.rules.values():
        for inner, some, outer, others in _pairs(rules):
            beyond = included(proofs.outcome(some), proofs.outcome(others))
            if beyond:
                yield _problem(rules, inner, outer, beyond[0])


def _pairs(rules: RuleSet) -> Iterator[tuple[str, Sequence[AnyRule], str, Sequence[AnyRule]]]:
    for spot in spots(rules):
        where = "" if spot.socket is None else f' in the socket "{spot.socket}"'
        permitted, nodes = f"the permitted rules{where}", f"the node permissions{where}"
        opened = node_rules(spot.nodes)
        yield f"the redirect rules{where}", spot.redirect, permitted, spot.permitted
        yield permitted, spot.permitted, "the host's filter", rules.host
        yield permitted, spot.permitted, nodes, opened
        yield nodes, opened, permitted, spot.permitted


def _problem(rules: RuleSet, inner: str, outer: str, region: Region) -> Problem:
    return Problem(
        "layers-disagree",
        source_path(f"policies/{rules.policy}"),
        f"On {rules.model}, {inner} let through what {outer} would keep: "
        f"{region_words(region, NAMES)}.",
        "This is a fault of the program; do not use these rules, and please report it.",
        witness=witness_of(device_at(region.witness)),
        at_key=True,
    )
