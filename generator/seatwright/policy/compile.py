"""A policy's tables as rule lists and node permissions.

Every list is ordered, first match decides, and what no rule matches is denied.  It starts with
the rules that protect hubs and onboard ids, which are always written.  Below them stands the
fewest rules for each node of the table that tell it from the node above: either one rule for
each class that differs, or one rule for all classes and one for each exception.  So no rule of
a list can be left out; a shorter list in another order may exist, but then a rule would
no longer stand beside others of the same device, where a person looks for it.

The order is canonical (id with bcdDevice, id, vendor, class, any) and does not depend on the
order of lines in the description.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from seatwright.plan import (
    NodeKey,
    PlannedModel,
    PlannedPolicy,
    PlannedRule,
    PlannedSocket,
    RuleSet,
    SocketRules,
)
from seatwright.policy.table import (
    EVERY_CLASS,
    ROOT,
    Key,
    Node,
    Ruling,
    Table,
    Tables,
    lineage,
    make_tables,
    protected_ids,
)
from seatwright.site.types import Verdict
from seatwright.usb.classes import HUB
from seatwright.usb.filter import ANY

REDIRECTED = frozenset({Verdict.REDIRECT})
PERMITTED = frozenset({Verdict.REDIRECT, Verdict.OFFER})


@dataclass(frozen=True, slots=True)
class Choice:
    """Whether a point passes, and the line (or protection) that says so."""

    allow: bool
    origin: str


@dataclass(frozen=True, slots=True)
class Choices:
    """A node's choices by class; ``other`` for every class that is not named."""

    named: Mapping[int, Choice]
    other: Choice

    def at(self, usb_class: int) -> Choice:
        """The choice for a class, ANY for "every other class"."""
        return self.named.get(usb_class, self.other)

    def passes_any(self) -> bool:
        """Whether any class passes at all."""
        return self.other.allow or any(choice.allow for choice in self.named.values())


@dataclass(frozen=True, slots=True)
class Passing:
    """What a list has to let through; ``protected`` are onboard ids with the device's origin."""

    nodes: Mapping[Key, Choices]
    protected: Mapping[Key, str]
    hubs: str

    def above(self, key: Key) -> Choices:
        """What the rules for less specific keys say at the points of a node."""
        for upper in lineage(key)[1:]:
            if upper in self.nodes:
                return self.nodes[upper]
        return Choices({}, Choice(False, self.hubs))


def compile_rules(policy: PlannedPolicy, model: PlannedModel, may_pass: frozenset[str]) -> RuleSet:
    """All lists of a policy on a model; ``may_pass`` as in :func:`.table.make_tables`."""
    return rules_of(policy, model, make_tables(policy, model, may_pass))


def rules_of(policy: PlannedPolicy, model: PlannedModel, tables: Tables) -> RuleSet:
    """All lists of tables that have been made already."""
    room = passing([tables.room], PERMITTED, model)
    return RuleSet(
        name=f"{policy.name}/{model.name}",
        policy=policy.name,
        model=model.name,
        redirect=rule_list(passing([tables.room], REDIRECTED, model)),
        permitted=rule_list(room),
        nodes=node_keys(room),
        sockets=tuple(_socket_rules(socket, table, model) for socket, table in tables.sockets),
        host=rule_list(passing(tables.all(), PERMITTED, model)),
    )


def _socket_rules(socket: PlannedSocket, table: Table, model: PlannedModel) -> SocketRules:
    permitted = passing([table], PERMITTED, model)
    return SocketRules(
        label=socket.label,
        ports=socket.ports,
        redirect=rule_list(passing([table], REDIRECTED, model)),
        permitted=rule_list(permitted),
        nodes=node_keys(permitted),
    )


def passing(tables: Sequence[Table], verdicts: Collection[Verdict], model: PlannedModel) -> Passing:
    """What passes under any of the tables, a verdict in ``verdicts`` counting as "passes"."""
    keys = {key for table in tables for key in table.nodes}
    nodes = {key: _union([table.node(key) for table in tables], verdicts) for key in keys}
    return Passing(nodes, protected_ids(model), model.origin)


def _union(nodes: Sequence[Node], verdicts: Collection[Verdict]) -> Choices:
    """Passes where it passes at any of the nodes; the origin is that of the first that says so."""

    def choose(rulings: Sequence[Ruling]) -> Choice:
        decisive = next((one for one in rulings if one.verdict in verdicts), rulings[0])
        return Choice(decisive.verdict in verdicts, decisive.origin)

    classes = {usb_class for node in nodes for usb_class in node.named}
    return Choices(
        {usb_class: choose([node.at(usb_class) for node in nodes]) for usb_class in classes},
        choose([node.other for node in nodes]),
    )


def rule_list(wanted: Passing) -> tuple[PlannedRule, ...]:
    """The rules: protections first, then node by node, the most specific nodes first."""
    rules = [_rule(HUB, ROOT, Choice(False, wanted.hubs), protects=True)]
    for onboard in sorted(wanted.protected):
        rules.extend(_onboard_rules(onboard, wanted))
    for key in _in_order(key for key in wanted.nodes if _id_of(key) not in wanted.protected):
        rules.extend(_node_rules(key, wanted.nodes[key], wanted.above(key)))
    return tuple(rules)


def _onboard_rules(onboard: Key, wanted: Passing) -> Iterator[PlannedRule]:
    """One rule that denies the id, after what may pass because port paths decide there.

    Where a peripheral of that id passes with every class and version, nothing is left to deny.
    """
    denied = Choices({}, Choice(False, wanted.protected[onboard]))
    for key in _in_order(key for key in wanted.nodes if _id_of(key) == onboard != key):
        yield from _node_rules(key, wanted.nodes[key], wanted.above(key))
    own = wanted.nodes[onboard]
    yield from _node_rules(onboard, own, denied)
    if not own.other.allow:
        yield _rule(ANY, onboard, denied.other, protects=True)


def _node_rules(key: Key, own: Choices, above: Choices) -> Iterator[PlannedRule]:
    """The fewest rules that make a node's points what they are, given the rules that follow.

    Hubs are left out of account: the first rule of every list has decided them.
    """
    classes = sorted({*own.named, *above.named} - {HUB})
    rest: tuple[int, ...] = (ANY,)
    if len(classes) > EVERY_CLASS // 2:
        # So many are named that it can be shorter to name the others.
        classes, rest = [code for code in range(EVERY_CLASS) if code != HUB], ()
    differing = [code for code in (*classes, *rest) if own.at(code).allow != above.at(code).allow]
    best = None if ANY in differing else differing
    base = None
    for allow in (own.other.allow,) if rest else (True, False):
        exceptions = [code for code in classes if own.at(code).allow != allow]
        if best is None or len(exceptions) + 1 < len(best):
            best, base = exceptions, _base(own, classes, allow)
    for code in best or ():
        yield _rule(code, key, own.at(code))
    if base is not None:
        yield _rule(ANY, key, base)


def _base(own: Choices, classes: Sequence[int], allow: bool) -> Choice:
    """The choice that a rule for all classes stands for."""
    if own.other.allow == allow:
        return own.other
    return next(own.at(code) for code in classes if own.at(code).allow == allow)


def node_keys(wanted: Passing) -> tuple[NodeKey, ...]:
    """Which device nodes may be opened, first match decides, nothing opened by default."""
    closed = NodeKey(vendor=None, product=None, bcd_device=None, classes=(), inverted=False)
    protected = set(wanted.protected)
    shapes = {key: _shape(choices) for key, choices in wanted.nodes.items()}
    keys = []
    for key in _in_order(wanted.nodes):
        classes, inverted = shapes[key]
        upper = next((shapes[above] for above in lineage(key)[1:] if above in shapes), ((), False))
        if key in protected or (classes, inverted) != upper:
            vendor, product, version = (None if part == ANY else part for part in key)
            keys.append(
                NodeKey(
                    vendor=vendor,
                    product=product,
                    bcd_device=version,
                    classes=classes,
                    inverted=inverted,
                )
            )
    return tuple(key for key in keys if key != closed)


def _shape(choices: Choices) -> tuple[tuple[int, ...], bool]:
    """Classes and whether they are those that pass (False) or those that do not (True)."""
    inverted = choices.other.allow
    named = choices.named.items()
    return tuple(sorted(code for code, one in named if one.allow != inverted)), inverted


def _in_order(keys: Iterable[Key]) -> list[Key]:
    """The most specific first, numbers rising within a kind."""
    return sorted(keys, key=lambda key: (key.count(ANY), key))


def _id_of(key: Key) -> Key:
    return key[0], key[1], ANY


def _rule(usb_class: int, key: Key, choice: Choice, protects: bool = False) -> PlannedRule:
    vendor, product, version = key
    return PlannedRule(
        usb_class=usb_class,
        vendor=vendor,
        product=product,
        version=version,
        allow=choice.allow,
        origin=choice.origin,
        protects=protects,
    )
