"""A plan for the emulator: the same seat, with the emulator's onboard devices in place of its own.

Only what the plan says of onboard devices changes: their ids, and the rules that protect them.
"""

from __future__ import annotations

from collections.abc import Mapping

from msgspec.structs import replace

from seatwright.plan import Plan, PlannedModel, PlannedRule, RuleSet
from seatwright.twin.wiring import part_for

Ids = Mapping[tuple[int, int], tuple[tuple[int, int], ...]]


def with_stand_ins(plan: Plan, model: str) -> Plan:
    """The plan with one model's onboard devices replaced by the parts that stand for them."""
    ids = _ids(plan.models[model])
    rules = {
        name: _rule_set(one, ids) if one.model == model else one for name, one in plan.rules.items()
    }
    return replace(plan, models={**plan.models, model: _model(plan.models[model])}, rules=rules)


def _ids(model: PlannedModel) -> Ids:
    """By the id of the model: the ids of all parts that stand for devices with it."""
    found: dict[tuple[int, int], list[tuple[int, int]]] = {}
    for one in model.onboard:
        part = part_for(one)
        found.setdefault((one.vendor, one.product), []).append((part.vendor, part.product))
    return {key: tuple(dict.fromkeys(parts)) for key, parts in found.items()}


def _model(model: PlannedModel) -> PlannedModel:
    onboard = (
        replace(one, vendor=part_for(one).vendor, product=part_for(one).product)
        for one in model.onboard
    )
    return replace(model, onboard=tuple(onboard))


def _rule_set(rules: RuleSet, ids: Ids) -> RuleSet:
    sockets = (
        replace(
            one,
            redirect=_rules(one.redirect, ids),
            permitted=_rules(one.permitted, ids),
        )
        for one in rules.sockets
    )
    return replace(
        rules,
        redirect=_rules(rules.redirect, ids),
        permitted=_rules(rules.permitted, ids),
        sockets=tuple(sockets),
        host=_rules(rules.host, ids),
    )


def _rules(rules: tuple[PlannedRule, ...], ids: Ids) -> tuple[PlannedRule, ...]:
    """Protecting rules name the parts' ids; two that become the same are one."""
    found: dict[PlannedRule, None] = {}
    for rule in rules:
        parts = ids.get((rule.vendor, rule.product), ()) if rule.protects else ()
        for vendor, product in parts:
            found[replace(rule, vendor=vendor, product=product)] = None
        if not parts:
            found[rule] = None
    return tuple(found)
