"""Policy lines that decide nothing, and lines that could be left out."""

from __future__ import annotations

from collections.abc import Iterator

from seatwright.findings.problem import Problem
from seatwright.plan import PlannedPolicy, RuleSet, source_path
from seatwright.policy.lines import IdleLine, idle_lines, needless_lines
from seatwright.policy.proofs import Proofs


def dead_lines(proofs: Proofs) -> Iterator[Problem]:
    """Lines that no device ever meets, on any model, and lines that a wider one makes needless."""
    by_policy: dict[str, list[RuleSet]] = {}
    for rules in proofs.plan.rules.values():
        by_policy.setdefault(rules.policy, []).append(rules)
    for name, used in by_policy.items():
        policy = proofs.plan.policies[name]
        yield from _idle_everywhere(proofs, policy, used)
        for found in needless_lines(policy):
            yield Problem(
                "needless-line",
                source_path(found.line.origin),
                f"{found.line.text} could be left out: a wider line says {found.line.verdict} too.",
                "Leave it in if it says something to people; it changes no rule.",
                ((source_path(found.instead), "the wider line"),),
            )


def _idle_everywhere(
    proofs: Proofs, policy: PlannedPolicy, used: list[RuleSet]
) -> Iterator[Problem]:
    """Lines that decide nothing on any of the models that the policy is used on."""
    found: dict[str, list[IdleLine]] = {}
    for rules in used:
        model = proofs.plan.models[rules.model]
        for idle in idle_lines(policy, model, proofs.tables(rules)):
            found.setdefault(idle.line.origin, []).append(idle)
    for origin, idles in found.items():
        line = idles[0].line
        # A line that would let an onboard id through has a finding of its own.
        onboard = line.product is not None and line.verdict != "keep"
        if len(idles) == len(used) and not (onboard and _at_onboard_id(proofs, idles, used)):
            yield _problem(origin, idles)


def _at_onboard_id(proofs: Proofs, idles: list[IdleLine], used: list[RuleSet]) -> bool:
    line = idles[0].line
    return any(
        (device.vendor, device.product) == (line.vendor, line.product)
        for rules in used
        for device in proofs.plan.models[rules.model].onboard
    )


def _problem(origin: str, idles: list[IdleLine]) -> Problem:
    line, otherwise = idles[0].line, any(idle.otherwise for idle in idles)
    deciders = dict.fromkeys(origin for idle in idles for origin in idle.deciders)
    says = "decides otherwise" if otherwise else "decides the same"
    return Problem(
        "overruled-line" if otherwise else "idle-line",
        source_path(origin),
        f"{line.text} never decides anything: for every device it speaks of, something more "
        f"specific {says}.",
        "Take it out, or change what stands in its way."
        if otherwise
        else "Take it out; nothing changes.",
        tuple((source_path(path), "this decides") for path in deciders if path),
    )
