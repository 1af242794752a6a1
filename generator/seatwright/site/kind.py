"""What a kind of value is, and where the reading of values puts its problems.

A kind knows four things about a value and nothing about a site: how it is read from a YAML
node, its JSON Schema, its Ansible argument specification, and the words for what is expected.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable
from dataclasses import dataclass, field
from enum import Enum
from typing import Any, ClassVar, Final

from yaml.nodes import MappingNode, Node, ScalarNode, SequenceNode

from seatwright.findings.words import shown

Schema = dict[str, Any]
"""A piece of JSON Schema or of an Ansible argument specification: plain, JSON-like data."""

EMPTY_WORDS = frozenset(("", "~", "null", "Null", "NULL"))
"""What YAML takes for "no value" where it stands without quotes."""


QUOTES = ("'", '"')


class Broken(Enum):
    """Stands where a value could not be read; its problem has been reported already."""

    BROKEN = "broken"


BROKEN: Final = Broken.BROKEN


class Misread(Exception):
    """A scalar is not what its kind wants; ``slug`` where it has one of its own."""

    def __init__(self, message: str, hint: str = "", slug: str = "bad-value") -> None:
        super().__init__(message)
        self.message, self.hint, self.slug = message, hint, slug


@dataclass(frozen=True, slots=True)
class NodeProblem:
    """Something that is wrong at a node; the slug says how bad it is (see the catalogue)."""

    slug: str
    node: Node
    message: str
    hint: str = ""
    also: tuple[tuple[Node, str], ...] = ()


@dataclass(frozen=True, slots=True)
class Reference:
    """A name that has to stand in a section of the site (``models``, ``policies``, …)."""

    section: str
    name: str
    node: Node


@dataclass(slots=True)
class Report:
    """Collects what one reading has to say; nothing is raised, so everything is said at once."""

    problems: list[NodeProblem] = field(default_factory=list)
    references: list[Reference] = field(default_factory=list)

    def problem(
        self, slug: str, node: Node, message: str, hint: str = "", *also: tuple[Node, str]
    ) -> Broken:
        """Add a problem; returns what stands in place of the value."""
        self.problems.append(NodeProblem(slug, node, message, hint, also))
        return BROKEN

    def refer(self, section: str, name: str, node: Node) -> None:
        """Remember a name that has to exist."""
        self.references.append(Reference(section, name, node))


class Kind(ABC):
    """A kind of value."""

    @property
    @abstractmethod
    def words(self) -> str:
        """What is expected, fit for "… is wanted": ``a rate such as "1 Gb/s"``."""

    @abstractmethod
    def read(self, node: Node, report: Report, owner: Node | None = None) -> Any:
        """The value at a node, or BROKEN with a problem reported.

        ``owner`` is the node of the key (or name) that the value belongs to, where there is one:
        the better place for "something is missing in it".
        """

    @abstractmethod
    def json_schema(self) -> Schema:
        """JSON Schema 2020-12 of the value as an editor sees it."""

    @abstractmethod
    def argument_spec(self) -> Schema:
        """Type, choices, elements and options as Ansible's argument specifications have them."""

    def lines(self) -> tuple[str, ...]:
        """Further sentences for the documentation, if there is more to say than ``words``."""
        return ()


class Scalar(Kind):
    """A value written as one piece of text; ``parse`` decides from the text as it stands.

    The text decides and not what a YAML program makes of it: ``on``, ``1:20`` and ``010`` are
    what the person typed.
    """

    quotes_allowed: ClassVar[bool] = True

    @abstractmethod
    def parse(self, text: str) -> Any:
        """The value; raises :class:`Misread`."""

    def read(self, node: Node, report: Report, owner: Node | None = None) -> Any:
        if not isinstance(node, ScalarNode):
            return self.not_one_value(node, report)
        if not node.style and node.value in EMPTY_WORDS:
            return report.problem(
                "empty-value",
                owner or node,
                f"Here is no value; wanted is {self.words}.",
                "Write the value or leave the key out.",
            )
        if not self.quotes_allowed and node.style in QUOTES:
            return report.problem(
                "bad-value",
                node,
                f"{shown(node.value)} stands in quotes, which make it text; wanted is "
                f"{self.words}.",
                "Leave the quotes out.",
            )
        try:
            return self.accept(self.parse(node.value), node, report)
        except Misread as misread:
            return report.problem(misread.slug, node, misread.message, misread.hint)

    def not_one_value(self, node: Node, report: Report) -> Broken:
        """A list or a group of keys stands there."""
        if has_braces_for_text(node):
            return BROKEN
        return report.problem(
            "wrong-form",
            node,
            f"Here stands {form(node)}; wanted is {self.words}.",
            "Write one value, without brackets or dashes.",
        )

    def accept(self, value: Any, node: Node, report: Report) -> Any:
        """Called with every value that could be read; a kind of names reports its reference."""
        return value


class Parsed(Scalar):
    """A scalar kind made of a function: most of them are no more than that."""

    def __init__(
        self, words: str, parse: Callable[[str], Any], schema: Schema, argument_type: str = "str"
    ) -> None:
        self._words, self._parse = words, parse
        self._schema, self._argument_type = schema, argument_type

    @property
    def words(self) -> str:
        return self._words

    def parse(self, text: str) -> Any:
        return self._parse(text)

    def json_schema(self) -> Schema:
        return dict(self._schema)

    def argument_spec(self) -> Schema:
        return {"type": self._argument_type}


def is_empty(node: Node) -> bool:
    """Whether nothing stands there (``key:`` with no value, or a plain ``null``)."""
    return is_plain(node) and node.value in EMPTY_WORDS


def is_plain(node: Node) -> bool:
    """Whether a value stands there without quotes (the C composer's style is "" then)."""
    return isinstance(node, ScalarNode) and not node.style


def is_merge_key(key: Node) -> bool:
    """Whether a key is YAML 1.1's ``<<``, which is not taken: reported with the form."""
    return key.value == "<<" and is_plain(key)


def has_braces_for_text(node: Node) -> bool:
    """Whether it is text in braces that lacks its quotes (``{{ text }}``): reported already."""
    if not isinstance(node, MappingNode):
        return False
    return any(not isinstance(key, ScalarNode) for key, _ in node.value)


def form(node: Node) -> str:
    """What stands at a node, in words."""
    if isinstance(node, MappingNode):
        return "a group of keys"
    if isinstance(node, SequenceNode):
        return "a list"
    return "nothing" if is_empty(node) else f"the single value {shown(str(node.value))}"
