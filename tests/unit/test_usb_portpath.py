"""usb/portpath.py."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from seatwright.usb.portpath import (
    PortPath,
    PortPathError,
    covers,
    longest_cover,
    parse_port_path,
    sort_port_paths,
)

PATHS = st.builds(
    PortPath, st.integers(1, 63), st.lists(st.integers(1, 31), min_size=1, max_size=6).map(tuple)
)


@given(PATHS)
def test_round_trip(path: PortPath) -> None:
    assert parse_port_path(str(path)) == path


@pytest.mark.parametrize(
    ("text", "offset", "words"),
    [
        ("", 0, "no port path"),
        ("usb1", 0, "no port path"),
        ("1-", 0, "no port path"),
        ("1-2.", 0, "no port path"),
        ("1-2..3", 0, "no port path"),
        ("1-2:1.0", 0, "no port path"),
        (" 1-2", 0, "no port path"),
        ("1-2\n", 0, "no port path"),
        ("\u0661-2", 0, "no port path"),
        ("../1-2", 0, "no port path"),
        ("0-1", 0, "bus numbers begin at 1"),
        ("64-1", 0, "bus numbers end at 63"),
        ("1-0", 2, "port numbers begin at 1"),
        ("12-3.04", 5, "no leading 0"),
        ("1-2.32", 4, "port numbers end at 31"),
        ("1-" + "9" * 5000, 2, "port numbers end at 31"),
        ("1-1.1.1.1.1.1.1", 2, "7 ports deep"),
    ],
)
def test_refuses_what_the_kernel_would_not_write(text: str, offset: int, words: str) -> None:
    with pytest.raises(PortPathError) as caught:
        parse_port_path(text)
    assert words in caught.value.message and caught.value.hint
    assert caught.value.offset == offset and len(caught.value.message) < 200


def test_the_deepest_place_is_tier_seven() -> None:
    assert parse_port_path("1-1.1.1.1.1.1").tier == 7


def test_parents_end_at_the_root_hub() -> None:
    path = parse_port_path("2-3.4.2")
    assert str(path.parent) == "2-3.4"
    assert parse_port_path("2-3").parent is None


def test_covers_whole_ports_only() -> None:
    assert covers("2-3", "2-3") and covers("2-3", "2-3.4.2")
    assert not covers("2-3.4", "2-3") and not covers("2-3", "2-31") and not covers("2-3", "1-3.4")


@given(PATHS, PATHS)
def test_two_that_cover_each_other_are_one(one: PortPath, other: PortPath) -> None:
    assert (one.covers(other) and other.covers(one)) == (one == other)


def test_the_longest_cover_wins() -> None:
    candidates = [parse_port_path(text) for text in ("2-3", "2-3.4", "2-3.5")]
    assert str(longest_cover(parse_port_path("2-3.4.1"), candidates)) == "2-3.4"
    assert longest_cover(parse_port_path("1-1"), candidates) is None


def test_sorts_as_the_tree_stands() -> None:
    assert sort_port_paths(["2-10", "2-3.4", "10-1", "2-3", "2-3.10", "2-3.2.1"]) == [
        "2-3",
        "2-3.2.1",
        "2-3.4",
        "2-3.10",
        "2-10",
        "10-1",
    ]
