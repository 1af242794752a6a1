"""Bytes to nodes: the problems of form, and how far each goes."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st

from seatwright.site import compose
from seatwright.site.compose import MOST_BYTES, compose_bytes, compose_file


def slugs(data: bytes) -> list[str]:
    """What is wrong with a file's bytes."""
    return [found.slug for found in compose_bytes(data, "site.yml").findings]


@pytest.mark.parametrize(
    ("data", "slug"),
    [
        (b"", "empty-file"),
        (b"# nothing\n", "empty-file"),
        (b"---\n...\n", "empty-file"),
        (b"~\n", "empty-file"),
        (b"\xef\xbb\xbfa: 1\n", "byte-order-mark"),
        ("a: 1\n".encode("utf-16"), "not-utf8"),
        (b"a: \xff\n", "not-utf8"),
        (b"a: \xed\xa0\x80\n", "not-utf8"),
        (b"a: \0\n", "control-character"),
        (b"a: \x1b[31m\n", "control-character"),
        (b"a: 1\rb: 2\n", "control-character"),
        ("a: 1\u2028b: 2\n".encode(), "control-character"),
        ("a: \u0085\n".encode(), "control-character"),
        (b"a:\n\tb: 1\n", "tab"),
        (b"a: 1\n \tb: 1\n", "tab"),
        (b"a: 1\n---\nb: 1\n", "several-documents"),
        (b"a: &x [*x]\n", "endless-alias"),
        (b"a: &x {b: {c: *x}}\n", "endless-alias"),
        (b"a: !!int 1\n", "custom-tag"),
        (b"a: !thing {b: 1}\n", "custom-tag"),
        (b"a: !!python/object:os.system {}\n", "custom-tag"),
        (b"? [a, b]\n: c\n", "not-a-key"),
        (b"<<: {a: 1}\n", "merge-key"),
        (b"a: {b: 1, b: 2}\n", "duplicate-key"),
        (b'a: {1: x, "1": y}\n', "duplicate-key"),
        (b"[" * 100_000, "nested-too-deep"),
        (b"- " * 100_000, "nested-too-deep"),
        (b"{a: " * 100_000, "nested-too-deep"),
        (b"[" * 100 + b"]" * 100, "nested-too-deep"),
        ("".join(" " * n + "a:\n" for n in range(3000)).encode(), "nested-too-deep"),
        (b"a: [b\n", "not-yaml"),
        (b"a: b: c\n", "not-yaml"),
        (b"a: @b\n", "not-yaml"),
        (b"a: 'b\n", "not-yaml"),
        (b"a: *b\n", "not-yaml"),
        (b"%FOO\n---\na: 1\n", "not-yaml"),
        (b'a: "\\ud800"\n', "not-yaml"),
    ],
)
def test_problems_of_form(data: bytes, slug: str) -> None:
    assert slugs(data) == [slug]


@pytest.mark.parametrize(
    "data",
    [
        b"a: 1\r\nb: 2\r\n",
        b"a: '<<'\n",
        b"a: [1,\n\t2]\n",
        b"x: &x [1, 2]\ny: *x\nz: *x\n",
        "a: مرحبا\n".encode(),
        b"a: 1\n...\n",
        b"%YAML 1.1\n---\na: 1\n",
    ],
)
def test_well_formed(data: bytes) -> None:
    composed = compose_bytes(data, "site.yml")
    assert composed.root is not None
    assert composed.findings == ()


def test_aliases_are_counted_as_what_they_stand_for() -> None:
    lines = ["a0: &a0 [x, x, x, x, x, x, x, x, x, x]"]
    lines += [f"a{n}: &a{n} [{', '.join([f'*a{n - 1}'] * 10)}]" for n in range(1, 30)]
    composed = compose_bytes("\n".join(lines).encode(), "site.yml")
    assert [found.slug for found in composed.findings] == ["exploding-alias"]
    assert composed.root is None


def test_a_huge_file_is_refused_before_it_is_read(tmp_path: Path) -> None:
    file = tmp_path / "site.yml"
    file.touch()
    os.truncate(file, 50_000_000_000)  # sparse: reading it would fill the memory
    composed = compose_file(file, "site.yml")
    assert [found.slug for found in composed.findings] == ["file-too-big"]


def test_a_file_that_grows_while_it_is_read(tmp_path: Path) -> None:
    """A size of nothing is what many files below /proc say; the limit holds for what comes."""
    file = tmp_path / "site.yml"
    file.write_bytes(b"#" * (MOST_BYTES + 10))
    read = compose.read_bytes(file)
    assert len(read) == MOST_BYTES + 1


@pytest.mark.parametrize("make", [os.mkfifo, os.mkdir])
def test_what_is_no_file_does_not_block(tmp_path: Path, make: object) -> None:
    assert callable(make)
    make(tmp_path / "site.yml")
    composed = compose_file(tmp_path / "site.yml", "site.yml")
    assert [found.slug for found in composed.findings] == ["unreadable-file"]


def test_a_missing_file(tmp_path: Path) -> None:
    [found] = compose_file(tmp_path / "site.yml", "site.yml").findings
    assert found.slug == "unreadable-file"
    assert "No such file" in found.message


def test_places_count_characters_not_bytes() -> None:
    [found] = compose_bytes("tïtle: ünd: x\n".encode(), "site.yml").findings
    assert (found.place.line, found.place.column) == (1, 11)


def test_unclosed_brackets_name_where_they_began() -> None:
    [found] = compose_bytes(b"a: [b,\n  c\nd: e\n", "site.yml").findings
    assert (found.place.line, [place.line for place, _ in found.also]) == (3, [1])


@given(st.binary(max_size=200))
def test_no_bytes_raise(data: bytes) -> None:
    compose_bytes(data, "site.yml")


@given(st.text(alphabet="ab:-?,[]{}#&*!|>'\"%@`\t\n\r \\<~\ufeff\u2028é", max_size=60))
def test_no_text_raises(text: str) -> None:
    compose_bytes(text.encode(), "site.yml")


@given(st.text(alphabet="ab:-,[]{}&*\n ", max_size=40))
def test_pure_python_composer_agrees(text: str) -> None:
    """Where PyYAML was built without libyaml the same files are usable."""

    class Plain(yaml.SafeLoader):
        def resolve(self, kind: type[yaml.Node], value: object, implicit: object) -> str:
            return compose.PLAIN

    def outline(node: yaml.Node | None) -> object:
        if isinstance(node, yaml.MappingNode):
            return [(outline(key), outline(value)) for key, value in node.value]
        if isinstance(node, yaml.SequenceNode):
            return [outline(entry) for entry in node.value]
        return node and (node.value, node.start_mark.line, node.start_mark.column)

    composed = compose_bytes(text.encode(), "site.yml")
    if composed.root is not None and not composed.findings:
        assert outline(yaml.compose(text, Loader=Plain)) == outline(composed.root)
