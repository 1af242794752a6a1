"""Policy lines that speak of an onboard device's id."""

from __future__ import annotations

from collections.abc import Iterator

from seatwright.findings.problem import Problem
from seatwright.findings.words import listed
from seatwright.plan import Plan, PlannedLine, PlannedModel, PlannedOnboard, RuleSet, source_path
from seatwright.policy.words import id_words


def onboard_problems(plan: Plan) -> tuple[Problem, ...]:
    """One for each line that would let an onboard device's id through, on any model in use.

    Where the line names a peripheral for which port paths decide, it does pass, and the problem
    names the layers that know no port paths.
    """
    hit: dict[str, tuple[PlannedLine, list[tuple[PlannedModel, PlannedOnboard]]]] = {}
    for rules in plan.rules.values():
        model = plan.models[rules.model]
        for line in _letting_through(plan, rules):
            devices = [(model, one) for one in model.onboard if _same_id(line, one)]
            if devices:
                hit.setdefault(line.origin, (line, []))[1].extend(devices)
    return tuple(_problem(plan, line, devices) for line, devices in hit.values())


def _letting_through(plan: Plan, rules: RuleSet) -> Iterator[PlannedLine]:
    labels = {None, *(socket.label for socket in plan.models[rules.model].sockets)}
    for line in plan.policies[rules.policy].lines:
        if line.verdict != "keep" and line.product is not None and line.socket in labels:
            yield line


def _same_id(line: PlannedLine, device: PlannedOnboard) -> bool:
    return (line.vendor, line.product) == (device.vendor, device.product)


def _problem(
    plan: Plan, line: PlannedLine, devices: list[tuple[PlannedModel, PlannedOnboard]]
) -> Problem:
    path = source_path(line.origin)
    also = {
        device.origin: f"onboard at port {device.port} of {model.name}" for model, device in devices
    }
    places = tuple((source_path(where), words) for where, words in also.items())
    onboard = listed(also.values(), "and")
    named = plan.peripherals.get(line.peripheral or "")
    if named is not None and named.port_paths_decide:
        return Problem(
            "port-paths-decide",
            path,
            f"{named.name} has the id of a device {onboard}. The client's filter rules and "
            f"the host's filter know no port paths and let that id through; the session and "
            f"the node permissions on the client keep the onboard device.",
            "Nothing to do, if you meant it: this is what port-paths-decide is for.",
            places,
        )
    hint = "Take the line out."
    if named is not None:
        hint += (
            f" If {named.name} is another device with the same id, say port-paths-decide: true "
            "where it is described."
        )
    return Problem(
        "onboard-id",
        path,
        f"{line.text} has the id {id_words(line.vendor, line.product)}, which is also that of a "
        f"device {onboard}: no line lets it through.",
        hint,
        places,
    )
