"""allocations.yml: what is written is read back, and no half file is ever left."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st

from seatwright.findings.formats import format_text
from seatwright.site.allocations import (
    HEAD,
    Allocations,
    format_allocations,
    read_allocations,
    write_allocations,
)

NAMES = st.from_regex(r"[a-z0-9]([a-z0-9-]{0,8}[a-z0-9])?", fullmatch=True)


def numbers(least: int, most: int) -> st.SearchStrategy[dict[str, int]]:
    """Names with a number each, no number twice."""
    pairs = st.tuples(NAMES, st.integers(least, most))
    return st.lists(pairs, unique_by=(lambda p: p[0], lambda p: p[1]), max_size=6).map(dict)


PORTS = st.dictionaries(NAMES, numbers(1, 65535).filter(bool), max_size=3)
ALLOCATIONS = st.builds(Allocations, numbers(1, 9999), PORTS, numbers(1, 9999), PORTS)

WRITTEN = Allocations(
    seats={"rr-02": 2, "rr-01": 1, "no": 3, "07": 4},
    spice_ports={"quay": {"rr-02": 5902, "rr-01": 5901}, "loft": {}},
    retired_seats={"rr-09": 9},
    retired_ports={"quay": {"rr-09": 5909}},
)

TEXT = """\
allocations: 1
seats:
  rr-01: 1
  rr-02: 2
  "no": 3
  "07": 4
spice-ports:
  quay:
    rr-01: 5901
    rr-02: 5902
retired:
  seats:
    rr-09: 9
  spice-ports:
    quay:
      rr-09: 5909
"""


def test_the_text_says_its_rule_and_is_in_the_order_of_numbers() -> None:
    assert format_allocations(WRITTEN) == HEAD + TEXT
    assert "retired" in HEAD


def test_other_programs_read_the_same_names() -> None:
    """PyYAML resolves as YAML 1.1 does, where ``no`` would be false and ``07`` seven."""
    assert yaml.safe_load(TEXT)["seats"] == WRITTEN.seats


@given(ALLOCATIONS)
def test_what_is_written_is_read_back(allocations: Allocations) -> None:
    text = format_allocations(allocations)
    path = Path(os.devnull).parent / "shm" / f"seatwright-{os.getpid()}.yml"
    path.write_text(text)
    try:
        reading = read_allocations(path)
    finally:
        path.unlink()
    assert reading.findings == ()
    assert reading.allocations == allocations
    assert reading.allocations is not None
    assert format_allocations(reading.allocations) == text


def test_no_file_is_no_numbers(tmp_path: Path) -> None:
    assert read_allocations(tmp_path / "allocations.yml").allocations == Allocations()


WRONG = [
    ("", "empty-file"),
    ("seats: {}\n", "missing-key"),
    ("allocations: 2\n", "unknown-version"),
    ("allocations: 1\nseats: {a: 0}\n", "bad-value"),
    ("allocations: 1\nseats: {a: x}\n", "bad-value"),
    ("allocations: 1\nseats: {A: 1}\n", "bad-name"),
    ("allocations: 1\nseats: [a]\n", "wrong-form"),
    ("allocations: 1\nseats: {a: 1, b: 1}\n", "number-given-twice"),
    ("allocations: 1\nspice-ports: {q: {a: 5901, b: 5901}}\n", "number-given-twice"),
    ("allocations: 1\nspice-ports: {q: {a: 70000}}\n", "bad-value"),
    ("allocations: 1\nspice-ports: {q: 5901}\n", "wrong-form"),
    ("allocations: 1\nsaets: {}\n", "unknown-key"),
    ("<<<<<<< ours\nallocations: 1\n", "not-yaml"),
]


@pytest.mark.parametrize(("text", "slug"), WRONG)
def test_wrong_files(tmp_path: Path, text: str, slug: str) -> None:
    path = tmp_path / "allocations.yml"
    path.write_text(text)
    reading = read_allocations(path)
    assert reading.allocations is None
    assert slug in [found.slug for found in reading.findings]
    assert "allocations.yml:" in format_text(reading.findings, reading.sources)


def test_one_port_on_two_hosts_is_fine(tmp_path: Path) -> None:
    path = tmp_path / "allocations.yml"
    path.write_text("allocations: 1\nspice-ports: {q: {a: 5901}, l: {a: 5901}}\n")
    assert read_allocations(path).findings == ()


def test_written_only_where_it_differs(tmp_path: Path) -> None:
    path = tmp_path / "allocations.yml"
    assert write_allocations(path, WRITTEN)
    before = path.stat()
    assert not write_allocations(path, WRITTEN)
    assert path.stat().st_mtime_ns == before.st_mtime_ns
    assert before.st_mode & 0o777 == 0o644


def test_an_interrupted_write_leaves_what_was_there(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "allocations.yml"
    write_allocations(path, WRITTEN)

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OSError, match="No space"):
        write_allocations(path, Allocations(seats={"x": 1}))
    monkeypatch.undo()
    assert read_allocations(path).allocations == Allocations(
        WRITTEN.seats, {"quay": WRITTEN.spice_ports["quay"]}, WRITTEN.retired_seats,
        WRITTEN.retired_ports,
    )  # fmt: skip
    assert [file.name for file in tmp_path.iterdir()] == ["allocations.yml"]
