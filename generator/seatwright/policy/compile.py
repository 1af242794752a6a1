"""A policy's tables as rule lists and node permissions.

Every list is ordered, first match decides, and what no rule matches is denied.  It starts with
the rules that protect hubs and onboard ids, which are always written.  Below them stand, for each
node of the table, the fewest rules that tell it from the node above: either one rule for each
class that differs, or one rule for all classes and one for each exception.  So no rule of a list
can be left out; a shorter list in another order may exist, but then a rule would no longer
stand beside the others of the same device, where a person looks for it.

The order is canonical (id with bcdDevice, id, vendor, class, any) and does not depend on the
order of lines in the description.  All but the protection is the same on every model.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
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
    LEAST_FIRST,
    ROOT,
    Guard,
    Key,
    Node,
    Ruling,
    Table,
    lineage,
    make_policy_tables,
)
from seatwright.site.types import Verdict
from seatwright.usb.classes import HUB
from seatwright.usb.filter import ANY

PERMITTED = LEAST_FIRST.index(Verdict.OFFER)
REDIRECTED = LEAST_FIRST.index(Verdict.REDIRECT)
"""The least level (see ``table.Ruling``) at which a point passes a list."""

NOTHING_PASSES = Node({}, Ruling(0, ""))
"""What stands above the root: the default."""

Blocks = Mapping[Key, tuple[PlannedRule, ...]]
"""The rules for each node, the most specific nodes first."""

Shape = tuple[tuple[int, ...], bool]
"""Classes, and whether they are those that pass (False) or those that do not (True)."""

CLOSED: Shape = ((), False)


@dataclass(frozen=True, slots=True)
class Unguarded:
    """One place's table and what is compiled of it, whatever the model."""

    table: Table
    redirect: Blocks
    permitted: Blocks
    shapes: Mapping[Key, Shape]


def compile_rules(policy: PlannedPolicy, model: PlannedModel, may_pass: frozenset[str]) -> RuleSet:
    """All lists of a policy on one model; ``may_pass`` as in :class:`.table.Guard`."""
    return compile_policy(policy, [model], may_pass)[0]


def compile_policy(
    policy: PlannedPolicy, models: Sequence[PlannedModel], may_pass: frozenset[str]
) -> tuple[RuleSet, ...]:
    """All lists of a policy on each of some models."""
    tables = make_policy_tables(policy)
    room = _unguarded(tables.room)
    sockets = {label: _unguarded(table) for label, table in tables.sockets.items()}
    anywhere: dict[tuple[str, ...], Blocks] = {}
    compiled = []
    for model in models:
        own = [socket for socket in model.sockets if socket.label in sockets]
        places = [tables.room, *(tables.sockets[socket.label] for socket in own)]
        labels = tuple(socket.label for socket in own)
        if labels not in anywhere:
            anywhere[labels] = _blocks(_widest_table(places), PERMITTED) if own else room.permitted
        guard = Guard.of(model, may_pass)
        compiled.append(
            RuleSet(
                name=rules_name(policy.name, model.name),
                policy=policy.name,
                model=model.name,
                redirect=_rule_list(room.redirect, [room.table], REDIRECTED, guard),
                permitted=_rule_list(room.permitted, [room.table], PERMITTED, guard),
                nodes=_node_keys(room, guard),
                sockets=tuple(_socket_rules(one, sockets[one.label], guard) for one in own),
                host=_rule_list(anywhere[labels], places, PERMITTED, guard),
            )
        )
    return tuple(compiled)


def rules_name(policy: str, model: str) -> str:
    """The name of a policy's rule set on a model."""
    return f"{policy}/{model}"


def _unguarded(table: Table) -> Unguarded:
    shapes = _differing({key: _shape(node) for key, node in table.nodes.items()})
    return Unguarded(table, _blocks(table, REDIRECTED), _blocks(table, PERMITTED), shapes)


def _socket_rules(socket: PlannedSocket, own: Unguarded, guard: Guard) -> SocketRules:
    return SocketRules(
        label=socket.label,
        ports=socket.ports,
        redirect=_rule_list(own.redirect, [own.table], REDIRECTED, guard),
        permitted=_rule_list(own.permitted, [own.table], PERMITTED, guard),
        nodes=_node_keys(own, guard),
    )


def _widest_table(tables: Sequence[Table]) -> Table:
    """What is permitted at any of some places."""
    keys = {key for table in tables for key in table.nodes}
    return Table({key: _widest([table.node(key) for table in tables]) for key in keys})


def _widest(nodes: Sequence[Node]) -> Node:
    """Each class as the first node says that permits it, or the first of all if none does."""

    def widest(rulings: Sequence[Ruling]) -> Ruling:
        return next((one for one in rulings if one.level >= PERMITTED), rulings[0])

    classes = {usb_class for node in nodes for usb_class in node.named}
    return Node(
        {usb_class: widest([node.at(usb_class) for node in nodes]) for usb_class in classes},
        widest([node.other for node in nodes]),
    )


def _blocks(table: Table, level: int) -> Blocks:
    """The rules that make the table's points what they are, as if there were no guard."""
    blocks = {}
    for key in _in_order(table.nodes):
        above = table.nodes[lineage(key)[1]] if key != ROOT else NOTHING_PASSES
        rules = tuple(_node_rules(key, table.nodes[key], above, level))
        if rules:
            blocks[key] = rules
    return blocks


def _node_rules(key: Key, own: Node, above: Node, level: int) -> Iterator[PlannedRule]:
    """The fewest rules that make a node's points what they are, given the rules that follow.

    Hubs are left out of account: the first rule of every list has decided them.
    """
    classes: Sequence[int] = sorted({*own.named, *above.named} - {HUB})
    rest = (own.other.level >= level) != (above.other.level >= level)
    bases = [own.other.level >= level]
    if len(classes) > EVERY_CLASS // 2:
        # So many are named that it can be shorter to name the others.
        classes, rest = [code for code in range(EVERY_CLASS) if code != HUB], False
        bases = [True, False]
    passes = {code: own.at(code).level >= level for code in classes}
    differing = [code for code in classes if passes[code] != (above.at(code).level >= level)]
    fewest, base = None if rest else differing, None
    for allow in bases if differing or rest else ():
        exceptions = [code for code in classes if passes[code] != allow]
        if fewest is None or len(exceptions) + 1 < len(fewest):
            fewest, base = exceptions, allow
    for code in fewest or ():
        yield _rule(code, key, passes[code], own.at(code).origin)
    if base is not None:
        # The line that the rule is there for: one that differs from what stands above.
        cause = own.other if rest else next(own.at(c) for c in differing if passes[c] == base)
        yield _rule(ANY, key, base, cause.origin)


def _rule_list(
    blocks: Blocks, tables: Sequence[Table], level: int, guard: Guard
) -> tuple[PlannedRule, ...]:
    """Protections first, then the blocks of all ids but the onboard ones."""
    rules = [_rule(HUB, ROOT, False, guard.hubs.origin, protects=True)]
    for onboard in sorted(guard.ids):
        rules.extend(_onboard_rules(onboard, tables, level, guard))
    for key, block in blocks.items():
        if _id_of(key) not in guard.ids:
            rules.extend(block)
    return tuple(rules)


def _onboard_rules(
    onboard: Key, tables: Sequence[Table], level: int, guard: Guard
) -> Iterator[PlannedRule]:
    """One rule that denies the id, after what may pass because port paths decide there.

    Where a peripheral of that id passes with every class and version, nothing is left to deny.
    """
    nodes = _onboard_nodes(onboard, tables, guard)
    own = nodes.pop(onboard, NOTHING_PASSES)
    for key, node in nodes.items():
        yield from _node_rules(key, node, own, level)
    if own.other.level >= level:
        above = _widest([table.node(lineage(onboard)[1]) for table in tables])
        yield from _node_rules(onboard, own, above, level)
    else:
        yield from _node_rules(onboard, own, NOTHING_PASSES, level)
        yield _rule(ANY, onboard, False, guard.ids[onboard].origin, protects=True)


def _onboard_nodes(onboard: Key, tables: Sequence[Table], guard: Guard) -> dict[Key, Node]:
    """What the guard leaves at an onboard id: its nodes in order, the id's own last.

    Empty where no line could be heard there.
    """
    if not guard.may_pass or not any(onboard in table.nodes for table in tables):
        return {}
    keys = {key for table in tables for key in table.nodes if _id_of(key) == onboard}
    return {
        key: _widest([guard.over(key, table.node(key)) for table in tables])
        for key in _in_order(keys)
    }


def _node_keys(own: Unguarded, guard: Guard) -> tuple[NodeKey, ...]:
    """Which device nodes may be opened, first match decides, nothing opened by default."""
    shapes = {}
    for onboard in sorted(guard.ids):
        found = {
            key: _shape(node) for key, node in _onboard_nodes(onboard, [own.table], guard).items()
        }
        closed = found.pop(onboard, CLOSED)
        shapes.update({key: shape for key, shape in found.items() if shape != closed})
        shapes[onboard] = closed
    shapes |= {key: one for key, one in own.shapes.items() if _id_of(key) not in guard.ids}
    return tuple(_node_key(key, shape) for key, shape in shapes.items())


def _node_key(key: Key, shape: Shape) -> NodeKey:
    vendor, product, version = (None if part == ANY else part for part in key)
    classes, inverted = shape
    return NodeKey(
        vendor=vendor, product=product, bcd_device=version, classes=classes, inverted=inverted
    )


def _differing(shapes: Mapping[Key, Shape]) -> dict[Key, Shape]:
    """In order, the shapes that are not what the node above (or the default) has already."""
    kept = {}
    for key in _in_order(shapes):
        above = shapes[lineage(key)[1]] if key != ROOT else CLOSED
        if shapes[key] != above:
            kept[key] = shapes[key]
    return kept


def _shape(node: Node) -> Shape:
    """Which classes of a node are permitted; hubs never are."""
    inverted = node.other.level >= PERMITTED
    passes = {code: ruling.level >= PERMITTED for code, ruling in node.named.items()}
    passes[HUB] = False
    return tuple(sorted(code for code, one in passes.items() if one != inverted)), inverted


def _in_order(keys: Iterable[Key]) -> list[Key]:
    """The most specific first, numbers rising within a kind."""
    return sorted(keys, key=lambda key: (key.count(ANY), key))


def _id_of(key: Key) -> Key:
    return key[0], key[1], ANY


def _rule(
    usb_class: int, key: Key, allow: bool, origin: str, protects: bool = False
) -> PlannedRule:
    vendor, product, version = key
    return PlannedRule(
        usb_class=usb_class,
        vendor=vendor,
        product=product,
        version=version,
        allow=allow,
        origin=origin,
        protects=protects,
    )
