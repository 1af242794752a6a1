"""allocate.py: numbers are given once, kept, and retired."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from seatwright.allocate import allocate, give
from seatwright.site.allocations import Allocations
from seatwright.site.types import Host

NAMES = st.lists(st.sampled_from("abcdefgh"), unique=True, max_size=6)


@given(st.lists(NAMES, max_size=6))
def test_a_name_never_changes_its_number_and_none_is_shared(rounds: list[list[str]]) -> None:
    used: dict[str, int] = {}
    retired: dict[str, int] = {}
    first: dict[str, int] = {}
    for names in rounds:
        result = give(names, used, retired, None)
        used, retired = result.numbers, result.retired
        assert list(used) == names and not result.missing
        assert len({*used.values(), *retired.values()}) == len(used) + len(retired)
        for name, number in used.items():
            assert first.setdefault(name, number) == number


@given(st.lists(NAMES, max_size=6))
def test_a_short_supply_serves_as_many_as_it_has(rounds: list[list[str]]) -> None:
    used: dict[str, int] = {}
    retired: dict[str, int] = {}
    for names in rounds:
        before = used
        result = give(names, used, retired, range(1, 5))
        used, retired = result.numbers, result.retired
        assert len(used) == min(len(names), 4)
        assert sorted({*used, *result.missing}) == sorted(names)
        assert len(set(used.values())) == len(used)
        assert all(used[name] == before[name] for name in names if name in before)


def test_a_number_given_twice_by_hand_does_not_spread() -> None:
    result = give(["b", "c"], {"b": 1}, {"c": 1}, None)
    assert result.numbers == {"b": 1, "c": 2}


def test_the_hosts_range_running_out_is_said() -> None:
    host = Host("quay", "libvirt", "quay", "192.0.2.1", "", (5901, 5902), ("hosts", "quay"))
    guests = {"quay": ["a", "b", "c", "d", "e", "f"]}
    done = allocate([], guests, {"quay": host}, Allocations())
    assert done.allocations.spice_ports == {"quay": {"a": 5901, "b": 5902}}
    (problem,) = done.problems
    assert (problem.slug, problem.path) == ("too-few-spice-ports", ("hosts", "quay", "spice-ports"))
    assert "c, d, e and 1 more still need one" in problem.message


def test_a_host_that_is_gone_is_remembered() -> None:
    before = Allocations({}, {"mole": {"a": 5901}}, {}, {"mole": {"b": 5902}})
    after = allocate([], {}, {}, before).allocations
    assert after == Allocations({}, {}, {}, {"mole": {"a": 5901, "b": 5902}})
