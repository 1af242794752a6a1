"""Two policy lines of one rank that say different things of one device."""

from __future__ import annotations

from collections.abc import Iterator

from seatwright.findings.problem import Problem
from seatwright.findings.words import listed
from seatwright.plan import Plan, source_path
from seatwright.policy.lines import Contradiction, contradictions
from seatwright.policy.table import classes_of
from seatwright.policy.words import class_words, id_words


def contradiction_problems(plan: Plan) -> Iterator[Problem]:
    """One for each pair of lines of every policy; the lists are compiled with the lesser one."""
    for policy in plan.policies.values():
        for found in contradictions(policy):
            yield _problem(found)


def _problem(found: Contradiction) -> Problem:
    first, second = found.first, found.second
    return Problem(
        "contradiction",
        source_path(second.origin),
        f"{second.text} stands below {second.verdict}, and {first.text}, which is of the same "
        f"rank, below {first.verdict}: both speak of {_shared(found)}.",
        "Take one of the two out, or narrow one by a class; order does not decide between them.",
        ((source_path(first.origin), "the other line"),),
    )


def _shared(found: Contradiction) -> str:
    """The points that both lines speak of, in words."""
    line = found.first
    ids = id_words(line.vendor, line.product, line.bcd_device)
    ours, theirs = set(classes_of(found.first)), set(classes_of(found.second))
    classes = ours & theirs if ours and theirs else ours | theirs
    words = listed(map(class_words, sorted(classes)), "and") if classes else "everything"
    return words if line.vendor is None else f"{words} of {ids}"
