"""The layers between a device and its guest, each asked on its own."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, replace

from seatwright.capacity.host_kinds import abilities
from seatwright.findings.words import listed, printable
from seatwright.plan import NodeKey, Plan, PlannedRule
from seatwright.policy.proofs import plain
from seatwright.policy.words import id_words, rule_words
from seatwright.trace import words
from seatwright.trace.nodes import NodeDecision, decide_node
from seatwright.trace.places import Asked
from seatwright.trace.types import Answer, Layer, LayerName, Question, TracedRule
from seatwright.usb.classes import HID, class_name
from seatwright.usb.device import Device, Interface
from seatwright.usb.filter import (
    Check,
    Decision,
    decide,
    decide_strict,
    format_rules,
)

Locate = Callable[[str], str]
"""The ``file:line:column`` of a description path; empty where it has none."""


@dataclass(frozen=True, slots=True)
class Decided:
    """What each layer decides, without words: enough to tell answers apart."""

    permitted: Decision
    redirect: Decision
    node: NodeDecision
    host: Decision


def decided(asked: Asked) -> Decided:
    """The decisions of the layers that look at the device."""
    spot = asked.where.spot
    return Decided(
        permitted=decide_strict(plain(spot.permitted), asked.device),
        redirect=decide_strict(plain(spot.redirect), asked.device),
        node=decide_node(spot.nodes, asked.device, asked.subject.further),
        host=decide(plain(asked.unit.rules.host), asked.device),
    )


def stopped_by(asked: Asked, found: Decided) -> LayerName | None:
    """The first layer that keeps the device; what is not redirected by itself may be offered."""
    stops: tuple[tuple[LayerName, bool], ...] = (
        ("port path", asked.where.onboard is not None),
        ("client: permitted", not found.permitted.allowed),
        ("device node", not found.node.opened),
        ("host", not found.host.allowed),
    )
    return next((name for name, stops in stops if stops), None)


def layers_of(
    asked: Asked, found: Decided, ports: Collection[int], plan: Plan, locate: Locate
) -> tuple[Layer, ...]:
    """Every layer with its rules, in the order of ``LayerName``.

    ``ports`` are how many redirection ports the guests have that are meant.
    """
    spot = asked.where.spot
    return (
        _port_path(asked),
        _client("client: permitted", spot.permitted, found.permitted, asked, plan, locate),
        _client("client: redirect", spot.redirect, found.redirect, asked, plan, locate),
        _node(asked, found.node),
        _host(asked, found, plan, locate),
        Layer(
            name="ports",
            passes=max(ports) > 0,
            words=words.ports(ports, stopped_by(asked, found) is None),
        ),
    )


def _port_path(asked: Asked) -> Layer:
    return Layer(
        name="port path",
        passes=asked.where.onboard is None,
        words=words.port_path(asked.where, asked.unit),
    )


def _client(
    name: LayerName,
    rules: Sequence[PlannedRule],
    strict: Decision,
    asked: Asked,
    plan: Plan,
    locate: Locate,
) -> Layer:
    """A list of the session, which is strict; beside it what the library would say."""
    device = asked.device
    library = decide(plain(rules), device)
    otherwise = "Not by itself" if name == "client: redirect" else "Kept"
    return Layer(
        name=name,
        passes=strict.allowed,
        words=words.decision(strict, device, otherwise),
        strict=_answer(strict),
        plain=_answer(library),
        difference=words.difference(strict, library, device, "the session"),
        rules=_traced(rules, plan, locate),
    )


def _host(asked: Asked, found: Decided, plan: Plan, locate: Locate) -> Layer:
    """The host's filter, which is not strict."""
    rules, device, library = asked.unit.rules.host, asked.device, found.host
    strict = decide_strict(plain(rules), device)
    difference = words.difference(strict, library, device, "the host")
    if strict.allowed:
        blind = words.host_blind(asked, found.permitted.allowed, library.allowed)
        difference = " ".join(part for part in (difference, blind) if part)
    elif not library.allowed:
        difference = _if_plain_hid(rules, device)
    bare = [host.name for host in plan.hosts.values() if "filter" not in abilities(host)]
    if bare:
        difference = " ".join(part for part in (difference, words.unfiltered(bare)) if part)
    return Layer(
        name="host",
        passes=library.allowed,
        words=words.decision(library, device),
        strict=_answer(strict),
        plain=_answer(library),
        difference=difference,
        rules=_traced(rules, plan, locate),
    )


def _if_plain_hid(rules: Sequence[PlannedRule], device: Device) -> str:
    """What the host would say if HID interfaces of unknown protocol were 3/0/0."""
    assumed = tuple(
        Interface(HID, 0, 0) if one.usb_class == HID and one.subclass is None else one
        for one in device.interfaces
    )
    if assumed == device.interfaces:
        return ""
    if decide(plain(rules), replace(device, interfaces=assumed)).allowed:
        return words.UNKNOWN_HID
    return ""


def _node(asked: Asked, found: NodeDecision) -> Layer:
    """The node permissions, key by key; every interface that udev sees is a question."""
    if asked.where.onboard is not None:
        return Layer(name="device node", passes=False, words=words.NODE_ONBOARD)
    rules = tuple(
        TracedRule(
            number=number,
            text=id_words(key.vendor, key.product, key.bcd_device),
            words=_key_words(key),
            allow=bool(key.classes) or key.inverted,
            origin="",
            place="",
            written="",
            protects=False,
        )
        for number, key in enumerate(asked.where.spot.nodes, 1)
    )
    return Layer(
        name="device node",
        passes=found.opened,
        words=words.node(found, asked.device, asked.subject.further),
        strict=Answer(
            allowed=found.opened,
            reason=found.reason.value,
            questions=_questions(found.checks),
            skipped=(),
        ),
        rules=rules,
    )


def _key_words(key: NodeKey) -> str:
    if not key.classes:
        return "opened" if key.inverted else "closed"
    classes = listed(map(class_name, key.classes), "and")
    return f"opened unless {classes}" if key.inverted else f"opened if only {classes}"


def _answer(decision: Decision) -> Answer:
    return Answer(
        allowed=decision.allowed,
        reason=decision.reason.value,
        questions=_questions(decision.checks),
        skipped=decision.skipped,
    )


def _questions(checks: Sequence[Check]) -> tuple[Question, ...]:
    """The checks; the one that failed decided, and where none did the last."""
    return tuple(
        Question(
            interface=check.interface,
            usb_class=check.usb_class,
            class_name=class_name(check.usb_class),
            rule=None if check.rule is None else check.rule + 1,
            allowed=check.allowed,
            decides=check is checks[-1],
        )
        for check in checks
    )


def _traced(rules: Sequence[PlannedRule], plan: Plan, locate: Locate) -> tuple[TracedRule, ...]:
    return tuple(
        TracedRule(
            number=number,
            text=format_rules([one]),
            words=rule_words(rule),
            allow=rule.allow,
            origin=rule.origin,
            place=locate(rule.origin),
            written=printable(_written(plan, rule.origin)),
            protects=rule.protects,
        )
        for number, (rule, one) in enumerate(zip(rules, plain(rules), strict=True), 1)
    )


def _written(plan: Plan, origin: str) -> str:
    """What the description says at a rule's origin; empty for what is no policy line."""
    section, _, rest = origin.partition("/")
    policy = plan.policies.get(rest.partition("/")[0]) if section == "policies" else None
    lines = policy.lines if policy else ()
    return next((line.text for line in lines if line.origin == origin), "")
