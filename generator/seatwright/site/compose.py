"""A file's bytes into YAML nodes that know their places; problems of form, each in its own words.

Nothing is resolved: what a value means is decided later from its text, so YAML 1.1's surprises
(``no`` as false, ``1:20`` as eighty) cannot happen.
"""

from __future__ import annotations

import io
import os
import re
import stat
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import yaml
from yaml.nodes import MappingNode, Node, ScalarNode, SequenceNode

from seatwright.findings.catalogue import finding
from seatwright.findings.finding import Finding, Place
from seatwright.findings.words import escape, shown
from seatwright.site.kind import form, is_empty, is_merge_key
from seatwright.site.places import place_of
from seatwright.site.yaml_words import in_our_words

MOST_BYTES = 16 * 1024 * 1024
"""A description of 10,000 seats, one line each, has about one."""

MOST_NODES = 1_000_000
"""Values of one file, each alias counted as all that it stands for."""

DEEPEST = 60

IT_WENT = "Look at the file's name and permissions; it may have gone since it was listed."
NAME_ANOTHER = 'Name the file of a site ("site.yml"), or the folder that it lies in.'

PLAIN = "plain"
"""The tag of every value that carries none: what a value is, its text decides later."""

FASTEST: Any = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
"""The C composer where PyYAML was built with it: same nodes, ten times faster."""


class Loader(FASTEST):  # type: ignore[misc]
    """PyYAML's composer, resolving nothing."""

    def resolve(self, kind: type[Node], value: Any, implicit: Any) -> str:
        """Called for every node without a tag of its own."""
        return PLAIN

    def descend_resolver(self, parent: Any, index: Any) -> None:
        """Called on the way down; only resolving by path would need it."""

    def ascend_resolver(self) -> None:
        """Called on the way up."""


NOT_ALLOWED = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u2028\u2029]|\r(?!\n)")
"""Controls, and line ends that YAML counts and editors do not: places would be wrong."""


@dataclass(frozen=True, slots=True)
class Composed:
    """What became of one file: its text, its root node (None where unusable), its findings."""

    name: str
    text: str
    root: Node | None
    findings: tuple[Finding, ...]


class NamedBytes(io.BytesIO):
    """Bytes with a name: PyYAML puts it into every mark."""

    def __init__(self, data: bytes, name: str) -> None:
        super().__init__(data)
        self.name = name


def shown_path(path: Path) -> str:
    """A file's name in messages: from the current folder where it lies below it."""
    try:
        relative = os.path.relpath(path)
    except (ValueError, OSError):
        return str(path)
    return str(path) if relative.startswith("..") else relative


def compose_file(path: Path, name: str, asked_for: Place | None = None) -> Composed:
    """Read and compose a file; ``name`` is how places call it.

    ``asked_for`` is where the description names the file: the place of a finding that it cannot
    be read (a file may disappear after it was found).
    """
    place = asked_for or Place(name, 1, 1)
    try:
        data = read_bytes(path)
    except OSError as error:
        reason = error.strerror or str(error)
        message = f"{shown(name)} cannot be read: {reason}."
        hint = IT_WENT if asked_for else NAME_ANOTHER
        return Composed(name, "", None, (finding("unreadable-file", place, message, hint),))
    if len(data) > MOST_BYTES:
        message = f"{shown(name)} has more than {MOST_BYTES // 2**20} MiB."
        hint = "A description of 10,000 seats has about one; is this the right file?"
        return Composed(name, "", None, (finding("file-too-big", place, message, hint),))
    return compose_bytes(data, name)


def read_bytes(path: Path) -> bytes:
    """At most one byte more than a description may have, whatever is found at the path.

    Raises OSError; also for a folder, a pipe or a device, which would block or never end.
    """
    descriptor = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
    with open(descriptor, "rb", buffering=0) as file:
        status = os.fstat(descriptor)
        if not stat.S_ISREG(status.st_mode):
            raise OSError(None, "it is not a regular file")
        if status.st_size > MOST_BYTES:
            return bytes(MOST_BYTES + 1)
        chunks = []
        left = MOST_BYTES + 1
        while left and (chunk := file.read(left)):
            chunks.append(chunk)
            left -= len(chunk)
        return b"".join(chunks)


def compose_bytes(data: bytes, name: str) -> Composed:
    """Compose a file's content."""
    text, wrong = decode(data, name)
    if wrong:
        return Composed(name, text, None, (wrong,))
    try:
        root = yaml.compose(NamedBytes(data, name), Loader=Loader)
    except RecursionError:
        message = "This goes deeper than any description."
        return Composed(name, text, None, (finding("nested-too-deep", Place(name, 1, 1), message),))
    except yaml.YAMLError as error:
        return Composed(name, text, None, (in_our_words(error, text, name),))
    if root is None or is_empty(root):
        message = f"{shown(name)} has nothing in it."
        hint = "Write the description, or take the file away (comments alone are nothing)."
        return Composed(
            name, text, None, (finding("empty-file", Place(name, 1, 1), message, hint),)
        )
    wrongs = tuple(too_much(root) if "&" in text else ()) or tuple(problems_of_form(root))
    usable = not any(found.slug in UNUSABLE for found in wrongs)
    return Composed(name, text, root if usable else None, wrongs)


UNUSABLE = ("exploding-alias", "endless-alias", "nested-too-deep")
"""After these the nodes must not be walked as a tree."""


def decode(data: bytes, name: str) -> tuple[str, Finding | None]:
    """The text, and the first thing that keeps it from being read as text."""
    for mark, encoding in ((b"\xff\xfe", "UTF-16"), (b"\xfe\xff", "UTF-16"), (b"\xef\xbb\xbf", "")):
        if data.startswith(mark):
            place = Place(name, 1, 1)
            if encoding:
                message = f"{shown(name)} is written in {encoding}."
                return "", finding("not-utf8", place, message, "Save it as UTF-8.")
            message = f"{shown(name)} begins with a byte order mark."
            hint = (
                'Save it as "UTF-8 without BOM": the mark does not show, and programs trip on it.'
            )
            return data[3:].decode("utf-8", "replace"), finding(
                "byte-order-mark", place, message, hint
            )
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError as error:
        text = data.decode("utf-8", "replace")
        place = place_at(data[: error.start].decode("utf-8", "replace"), name)
        message = f"The byte 0x{data[error.start]:02x} here is not UTF-8 text."
        hint = "Save the file as UTF-8; it may be in an older encoding such as ISO 8859-1."
        return text, finding("not-utf8", place, message, hint)
    found = NOT_ALLOWED.search(text)
    if not found:
        return text, None
    message = f"The character {escape(found[0])} stands here; it does not print."
    hint = "Take it out; a program that copies from a terminal or a document may have left it."
    return text, finding("control-character", place_at(text[: found.start()], name), message, hint)


def place_at(before: str, name: str) -> Place:
    """The place right after ``before``, the file's text up to it."""
    return Place(name, before.count("\n") + 1, len(before) - (before.rfind("\n") + 1) + 1)


def problems_of_form(root: Node) -> Iterator[Finding]:
    """Tags, merge keys, keys that are none, and keys that stand twice, anywhere in the tree."""
    seen = set()
    waiting = [(root, 0)]
    while waiting:
        node, depth = waiting.pop()
        if node.tag != PLAIN:
            yield tag_finding(node)
        if isinstance(node, ScalarNode) or id(node) in seen:
            continue
        seen.add(id(node))
        if depth > DEEPEST:
            message = f"Here brackets or indentation are more than {DEEPEST} levels deep."
            yield finding("nested-too-deep", place_of(node), message, "Is this the right file?")
            return
        if isinstance(node, MappingNode):
            yield from problems_of_keys(node)
            waiting += [(value, depth + 1) for _, value in node.value]
        elif isinstance(node, SequenceNode):
            waiting += [(entry, depth + 1) for entry in node.value]


def problems_of_keys(node: MappingNode) -> Iterator[Finding]:
    """What is wrong with the keys of one mapping."""
    first: dict[str, Node] = {}
    for key, _ in node.value:
        if not isinstance(key, ScalarNode):
            hint = 'Write key: value. Text with braces needs quotes: "{{ text }}".'
            message = f"Here stands {form(key)} where a key is wanted."
            yield finding("not-a-key", place_of(key), message, hint)
        elif is_merge_key(key):
            hint = "Write the keys out; an alias (*name) as a whole value is taken."
            yield finding("merge-key", place_of(key), "Merge keys are not read here.", hint)
        elif key.value in first:
            other = place_of(first[key.value])
            message = f"{shown(key.value)} stands twice in this group (first in line {other.line})."
            also = [(other, "here for the first time")]
            yield finding("duplicate-key", place_of(key), message, "Join the two.", also)
        else:
            first[key.value] = key


def tag_finding(node: Node) -> Finding:
    """A value carries a tag that a person wrote."""
    tag = str(node.tag).replace("tag:yaml.org,2002:", "!!")
    hint = "Take the tag away: values are plain text, lists and groups of keys here."
    return finding("custom-tag", place_of(node), f"The tag {shown(tag)} is not read here.", hint)


def too_much(root: Node) -> Iterator[Finding]:
    """Aliases that hold themselves, or that stand for more values than any description has."""
    sizes: dict[int, int] = {}
    open_nodes: set[int] = set()
    waiting: list[tuple[Node, bool]] = [(root, False)]
    while waiting:
        node, leaving = waiting.pop()
        inner = [] if isinstance(node, ScalarNode) else children(node)
        if leaving:
            open_nodes.discard(id(node))
            sizes[id(node)] = 1 + sum(sizes[id(child)] for child in inner)
            if sizes[id(node)] > MOST_NODES:
                message = f"The aliases in here stand for more than {MOST_NODES} values."
                yield finding("exploding-alias", place_of(node), message, "Write it out.")
                return
        elif id(node) in open_nodes:
            message = "The value that begins here holds an alias to itself."
            yield finding("endless-alias", place_of(node), message, "Write out what is meant.")
            return
        elif id(node) not in sizes:
            open_nodes.add(id(node))
            waiting.append((node, True))
            waiting += [(child, False) for child in inner]


def children(node: Node) -> list[Node]:
    """The nodes right below a mapping or a sequence."""
    if isinstance(node, MappingNode):
        return [child for pair in node.value for child in pair]
    return list(node.value)
