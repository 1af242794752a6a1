"""Promises of which not both can hold, whatever the policy says."""

from __future__ import annotations

from collections.abc import Iterator

from seatwright.findings.problem import Problem
from seatwright.plan import Plan, PlannedPromise, source_path
from seatwright.policy.promises import seats_of
from seatwright.policy.proofs import Proofs


def opposed_promises(proofs: Proofs) -> Iterator[Problem]:
    """A problem for each promise that says otherwise of a device than an earlier one."""
    by_device: dict[str, list[PlannedPromise]] = {}
    for promise in proofs.plan.promises:
        for device in promise.devices:
            earlier = by_device.setdefault(device, [])
            other = next((one for one in earlier if _opposed(proofs.plan, promise, one)), None)
            if other is not None:
                yield _problem(device, promise, other)
            earlier.append(promise)


def _opposed(plan: Plan, one: PlannedPromise, other: PlannedPromise) -> bool:
    if one.verdict == other.verdict:
        return False
    if one.socket is not None and other.socket is not None and one.socket != other.socket:
        return False
    return not seats_of(plan, one).isdisjoint(seats_of(plan, other))


def _problem(device: str, promise: PlannedPromise, other: PlannedPromise) -> Problem:
    return Problem(
        "opposed-promises",
        source_path(promise.origin),
        f"Not both promises can hold: {promise.verdict} and {other.verdict} of {device}.",
        "Take one of them out, or say for which seats or sockets each is meant.",
        ((source_path(other.origin), "the other one"),),
    )
