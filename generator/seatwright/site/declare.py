"""Keys, and the kinds made of other kinds: lists, maps, records, alternatives.

With :mod:`seatwright.site.scalars` this is what a description is declared with, once; reading,
JSON Schema, Ansible argument specifications and documentation all come from the declaration.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from yaml.nodes import MappingNode, Node, ScalarNode, SequenceNode

from seatwright.findings.words import listed, nearest, printable, shown
from seatwright.site.kind import (
    BROKEN,
    Kind,
    Misread,
    Parsed,
    Report,
    Scalar,
    Schema,
    form,
    is_empty,
    is_merge_key,
)
from seatwright.site.scalars import (
    Address,
    Always,
    Bcd,
    Boolean,
    Choice,
    Duration,
    Integer,
    IpAddress,
    LabelOf,
    Language,
    Name,
    NameOf,
    Pattern,
    Percent,
    PortPath,
    PortRange,
    Rate,
    Text,
    Uri,
    UsbId,
    UsbIdOrVendor,
    User,
)

__all__ = [
    "BROKEN", "Address", "Always", "Bcd", "Boolean", "Choice", "Duration", "Integer", "IpAddress",
    "Key", "Kind", "LabelOf", "Language", "ListOf", "MapOf", "Misread", "Name", "NameOf", "OneOf",
    "Parsed", "Pattern", "Percent", "PortPath", "PortRange", "Rate", "Record", "Report", "Scalar",
    "Schema", "Text", "Uri", "UsbId", "UsbIdOrVendor", "User", "broken",
]  # fmt: skip


@dataclass(frozen=True, slots=True)
class Key:
    """One key of a record: its name, the kind of its value, and the one sentence that says it.

    ``default`` is the *value* that stands where the key is left out, in the units that the kind
    reads into; ``shown_default`` is that default as a person would write it.
    """

    name: str
    kind: Kind
    sentence: str
    required: bool = False
    default: Any = None
    shown_default: str = ""

    def json_schema(self) -> Schema:
        """The schema of the value, with the sentence for the editor to show."""
        default = f" Default: {self.shown_default}." if self.shown_default else ""
        return {"description": self.sentence + default, **self.kind.json_schema()}

    def argument_spec(self) -> Schema:
        """The option as Ansible's argument specifications have it."""
        spec = {"description": [self.sentence], **self.kind.argument_spec()}
        if self.required:
            spec["required"] = True
        elif self.default is not None:
            spec["default"] = self.default
        return spec


class ListOf(Kind):
    """A list; reads into a tuple without the members that could not be read."""

    def __init__(self, element: Kind, least: int = 0) -> None:
        self.element, self.least = element, least

    @property
    def words(self) -> str:
        return "a list"

    def read(self, node: Node, report: Report, owner: Node | None = None) -> Any:
        if not isinstance(node, SequenceNode):
            one = isinstance(node, ScalarNode) and not is_empty(node)
            return report.problem(
                "wrong-form",
                node,
                f"Here stands {form(node)}; wanted is a list of entries, each "
                f"{self.element.words}.",
                f"Write [{printable(node.value)}]." if one else "Write [a, b], or [] for none.",
            )
        if len(node.value) < self.least:
            return report.problem(
                "wrong-form", node, "This list is empty.", f"Write {self.element.words}."
            )
        return tuple(self.element.read(entry, report) for entry in node.value)

    def json_schema(self) -> Schema:
        least = {"minItems": self.least} if self.least else {}
        return {"type": "array", "items": self.element.json_schema(), **least}

    def argument_spec(self) -> Schema:
        inner = self.element.argument_spec()
        options = {"options": inner["options"]} if "options" in inner else {}
        return {"type": "list", "elements": inner["type"], **options}


class MapOf(Kind):
    """Names (or labels) with a value each, in the order written."""

    def __init__(self, value: Kind, name: Kind, what: str) -> None:
        self.value, self.name, self.what = value, name, what

    @property
    def words(self) -> str:
        return f"{self.what}, each with its name in front"

    def read(self, node: Node, report: Report, owner: Node | None = None) -> Any:
        if not isinstance(node, MappingNode):
            return report.problem(
                "wrong-form",
                node,
                f"Here stands {form(node)}; wanted is {self.words}.",
                "Write name: value, one a line, or {} where there is none.",
            )
        read: dict[Any, Any] = {}
        for key, value in node.value:
            name = self.name.read(key, report)
            content = self.value.read(value, report, key)
            if name is not BROKEN:
                read.setdefault(name, content)
        return read

    def json_schema(self) -> Schema:
        names = {k: v for k, v in self.name.json_schema().items() if k in ("pattern", "maxLength")}
        return {
            "type": "object",
            "propertyNames": names,
            "additionalProperties": self.value.json_schema(),
        }

    def argument_spec(self) -> Schema:
        return {"type": "dict"}


class Record(Kind):
    """A group of known keys; reads into a dictionary that has every key.

    ``what`` is the record in words ("a room"). ``one_of``: exactly one of these keys stands;
    ``any_of``: at least one; ``not_both``: at most one; ``needs``: where the first stands, the
    others have to.
    """

    def __init__(
        self,
        what: str,
        *keys: Key,
        one_of: tuple[str, ...] = (),
        any_of: tuple[str, ...] = (),
        not_both: tuple[str, ...] = (),
        needs: Mapping[str, tuple[str, ...]] | None = None,
    ) -> None:
        self.what, self.keys = what, {key.name: key for key in keys}
        self.one_of, self.any_of, self.not_both = one_of, any_of, not_both
        self.needs = dict(needs or {})
        self._defaults = {key.name: key.default for key in keys}
        self._required = tuple(key.name for key in keys if key.required)
        self._plain = not (one_of or any_of or not_both or needs)

    @property
    def words(self) -> str:
        return f"{self.what} as a group of keys"

    def defaults(self) -> dict[str, Any]:
        """The values of a record that is left out as a whole."""
        return dict(self._defaults)

    def read(self, node: Node, report: Report, owner: Node | None = None) -> Any:
        if not isinstance(node, MappingNode):
            return report.problem(
                "wrong-form",
                node,
                f"Here stands {form(node)}; wanted is {self.words}.",
                f"Keys of {self.what} are {listed(self.keys, 'and')}.",
            )
        values = self.defaults()
        written: set[str] = set()
        meant: set[str] = set()
        for key, value in node.value:
            known = self.keys.get(key.value) if isinstance(key, ScalarNode) else None
            if known is None:
                meant.update(self.unknown(key, report))
            elif known.name not in written:
                written.add(known.name)
                values[known.name] = known.kind.read(value, report, key)
        self.complete(values, written, meant, (node, owner), report)
        return values

    def unknown(self, key: Node, report: Report) -> tuple[str, ...]:
        """Report a key that is none of ours; returns those that were probably meant by it."""
        if not isinstance(key, ScalarNode):
            return ()
        if is_merge_key(key):
            return tuple(self.keys)
        near = nearest(key.value, self.keys)
        did_you_mean = f'Did you mean "{near}"? ' if near else ""
        report.problem(
            "unknown-key",
            key,
            f"{shown(key.value)} is not a key of {self.what}.",
            f"{did_you_mean}Keys of {self.what} are {listed(self.keys, 'and')}.",
        )
        return (near,) if near else ()

    def complete(
        self,
        values: dict[str, Any],
        written: set[str],
        meant: set[str],
        nodes: tuple[Node, Node | None],
        report: Report,
    ) -> None:
        """Report keys that are missing (not those that are misspelt) or do not go together."""
        node = nodes[1] or nodes[0]
        for name in self._required:
            if name in meant and name not in written:
                values[name] = BROKEN
            elif name not in written:
                values[name] = report.problem(
                    "missing-key",
                    node,
                    f"The key {name} is missing: {self.what} needs it.",
                    f"{name}: {self.keys[name].sentence}",
                )
        if self._plain:
            return
        for message, hint in self.ill_assorted(written):
            report.problem("wrong-keys", node, message, hint)
        values.update(dict.fromkeys(self.not_there(written), BROKEN))

    def not_there(self, written: set[str]) -> Iterable[str]:
        """Keys that those that stand there do not do without: nothing can be made of the record."""
        for alternatives in (self.one_of, self.any_of):
            if not written.intersection(alternatives):
                yield from alternatives
        for first, others in self.needs.items():
            if first in written:
                yield from (name for name in others if name not in written)

    def ill_assorted(self, written: set[str]) -> Iterable[tuple[str, str]]:
        """What does not go together among the keys that stand there."""
        if self.one_of and sum(name in written for name in self.one_of) != 1:
            yield (
                f"Exactly one of the keys {listed(self.one_of)} has to stand here.",
                "Write one of them and leave the others out.",
            )
        if self.any_of and not written.intersection(self.any_of):
            yield f"One of the keys {listed(self.any_of)} has to stand here.", "Add one."
        if self.not_both and sum(name in written for name in self.not_both) > 1:
            yield (
                f"The keys {listed(self.not_both, 'and')} cannot stand together.",
                "Leave one of them out.",
            )
        for first, others in self.needs.items():
            missing = [name for name in others if name not in written]
            if first in written and missing:
                yield (
                    f"The key {first} says nothing without {listed(missing, 'and')}.",
                    f"Add {listed(missing, 'and')}.",
                )

    def json_schema(self) -> Schema:
        schema: Schema = {
            "type": "object",
            "properties": {key.name: key.json_schema() for key in self.keys.values()},
            "additionalProperties": False,
        }
        if self._required:
            schema["required"] = list(self._required)
        if self.one_of:
            schema["oneOf"] = [{"required": [name]} for name in self.one_of]
        if self.any_of:
            schema["anyOf"] = [{"required": [name]} for name in self.any_of]
        if self.not_both:
            schema["not"] = {"required": list(self.not_both)}
        if self.needs:
            schema["dependentRequired"] = {k: list(v) for k, v in self.needs.items()}
        return schema

    def argument_spec(self) -> Schema:
        options = {key.name: key.argument_spec() for key in self.keys.values()}
        return {"type": "dict", "options": options}


class OneOf(Kind):
    """One kind or another, told apart by their form: one value, a list, a group of keys.

    At most one kind of each form; ``words`` of all of them stand in the message.
    """

    def __init__(self, *kinds: Kind) -> None:
        self.kinds = kinds
        self._by_form = {node_class(kind): kind for kind in kinds}
        if len(self._by_form) != len(kinds):
            raise ValueError("two kinds of one form cannot be told apart")

    @property
    def words(self) -> str:
        return listed([kind.words for kind in self.kinds])

    def read(self, node: Node, report: Report, owner: Node | None = None) -> Any:
        kind = self._by_form.get(type(node))
        if kind is None:
            return report.problem(
                "wrong-form", node, f"Here stands {form(node)}; wanted is {self.words}.", ""
            )
        return kind.read(node, report, owner)

    def json_schema(self) -> Schema:
        return {"anyOf": [kind.json_schema() for kind in self.kinds]}

    def argument_spec(self) -> Schema:
        return {"type": "raw"}


def node_class(kind: Kind) -> type[Node]:
    """The class of YAML node that a kind is written as."""
    if isinstance(kind, ListOf):
        return SequenceNode
    return MappingNode if isinstance(kind, MapOf | Record) else ScalarNode


def broken(value: object) -> bool:
    """Whether a value, or anything in it, could not be read."""
    if value is BROKEN:
        return True
    if isinstance(value, Mapping):
        return any(broken(inner) for inner in value.values())
    if isinstance(value, tuple):
        return any(broken(inner) for inner in value)
    return False
