"""Where things stand: source lines, and the place of every value, looked up when asked for."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from yaml.nodes import MappingNode, Node, ScalarNode, SequenceNode

from seatwright.findings.catalogue import finding
from seatwright.findings.finding import Finding, Place, SourcePath
from seatwright.findings.problem import Problem
from seatwright.site.kind import NodeProblem

Pair = tuple[Node, Node]
"""A key's node and its value's node."""


class Sources:
    """The text of every file that was read, by the name that places use."""

    def __init__(self, texts: Mapping[str, str]) -> None:
        self._texts = dict(texts)
        self._lines: dict[str, list[str]] = {}

    @property
    def files(self) -> tuple[str, ...]:
        """The files in the order in which they were read."""
        return tuple(self._texts)

    def joined(self, other: Sources) -> Sources:
        """These files and those of another reading."""
        return Sources({**self._texts, **other._texts})

    def text(self, file: str) -> str:
        """The whole file; empty where it could not be read."""
        return self._texts.get(file, "")

    def line(self, file: str, number: int) -> str:
        """A line without its end, counted from 1; empty where there is none."""
        if file not in self._lines:
            self._lines[file] = self.text(file).replace("\r\n", "\n").split("\n")
        lines = self._lines[file]
        return lines[number - 1] if 1 <= number <= len(lines) else ""


def place_of(node: Node) -> Place:
    """The place of a node; the caret spans a value on one line, and the first sign of others."""
    start, end = node.start_mark, node.end_mark
    one_line = isinstance(node, ScalarNode) and start.line == end.line
    length = max(1, end.column - start.column) if one_line else 1
    return Place(str(start.name), start.line + 1, start.column + 1, length)


class Places:
    """Finds the place of a path in the description (see ``findings.SourcePath``).

    ``sections`` holds, for each top-level key, its key and value nodes in the order of the files:
    one for the site file's own keys, several for sections that are split over files.
    Nothing is indexed before somebody asks: most descriptions have no findings.
    """

    def __init__(self, start: Place, sections: Mapping[str, Sequence[Pair]]) -> None:
        self._start = start
        self._sections = sections
        self._indexed: dict[int, dict[str, Pair]] = {}

    def find(self, path: SourcePath, key: bool = False) -> Place:
        """The place of the value at ``path`` (with ``key`` that of its key or name).

        Where the path does not exist, the place of the nearest ancestor that does.
        """
        pairs = self._sections.get(str(path[0]), ()) if path else ()
        if not pairs:
            return self._start
        pair = pairs[0]
        rest = path[1:]
        if rest:
            first = self._first_step(pairs, rest)
            if first is None:
                return place_of(pair[0])
            pair, rest = first
        while rest:
            step = self._step(pair[1], rest)
            if step is None:
                return place_of(pair[0])
            pair, rest = step
        return place_of(pair[0] if key else pair[1])

    def _first_step(
        self, pairs: Sequence[Pair], path: SourcePath
    ) -> tuple[Pair, SourcePath] | None:
        """A step from a section, whose maps and lists are joined over files."""
        passed = 0
        for _, value in pairs:
            index = path[0]
            if isinstance(value, SequenceNode) and isinstance(index, int):
                path_here: SourcePath = (index - passed, *path[1:])
                passed += len(value.value)
            else:
                path_here = path
            step = self._step(value, path_here)
            if step is not None:
                return step
        return None

    def _step(self, node: Node, path: SourcePath) -> tuple[Pair, SourcePath] | None:
        """One step down from a node, and what is left of the path."""
        if isinstance(node, SequenceNode):
            index = path[0]
            if isinstance(index, int) and 0 <= index < len(node.value):
                entry = node.value[index]
                return (entry, entry), path[1:]
            return None
        if not isinstance(node, MappingNode):
            return None
        index_of = self._index(node)
        # A label may hold the sign that separates the parts of an origin, so longer and longer
        # pieces of the path are tried.
        for taken in range(1, len(path) + 1):
            found = index_of.get("/".join(map(str, path[:taken])))
            if found is not None:
                return found, path[taken:]
        return None

    def _index(self, node: MappingNode) -> dict[str, Pair]:
        """The pairs of a mapping by their key's text; the first of two equal ones counts."""
        index = self._indexed.get(id(node))
        if index is None:
            index = {}
            for pair in node.value:
                if isinstance(pair[0], ScalarNode):
                    index.setdefault(pair[0].value, pair)
            self._indexed[id(node)] = index
        return index


def placed(problem: Problem, places: Places) -> Finding:
    """A problem as a finding: its paths have become places, its slug a severity."""
    place = places.find(problem.path, key=problem.at_key)
    also = [(places.find(path, key=True), words) for path, words in problem.also]
    return finding(problem.slug, place, problem.message, problem.hint, also, problem.witness)


def at_node(problem: NodeProblem) -> Finding:
    """A problem that was met while reading a node as a finding."""
    also = [(place_of(node), words) for node, words in problem.also]
    return finding(problem.slug, place_of(problem.node), problem.message, problem.hint, also)
