"""capacity/ports.py: every port has its place for good, and no plan needs a hub."""

from __future__ import annotations

import pytest

from seatwright.capacity.ports import KINDS, MOST_CONTROLLERS, RESERVED, most_ports, plan_ports

XHCI, EHCI = KINDS["xhci"], KINDS["ehci"]


def places(count: int, kind: str, reserved: int = RESERVED) -> list[tuple[int, str]]:
    return [(port.bus, port.port) for port in plan_ports(count, KINDS[kind], reserved).ports]


def test_the_first_port_is_left_to_the_tablet() -> None:
    plan = plan_ports(3, XHCI)
    assert [(one.index, one.kind, one.ports) for one in plan.controllers] == [(0, "qemu-xhci", 15)]
    assert [port.number for port in plan.ports] == [1, 2, 3]
    assert places(3, "xhci") == [(0, "2"), (0, "3"), (0, "4")]
    assert places(2, "xhci", reserved=0) == [(0, "1"), (0, "2")]
    assert places(1, "xhci", reserved=3) == [(0, "4")]


def test_a_full_controller_is_followed_by_another() -> None:
    assert places(15, "xhci")[-2:] == [(0, "15"), (1, "1")]
    assert len(plan_ports(14, XHCI).controllers) == 1
    assert [one.index for one in plan_ports(15, XHCI).controllers] == [0, 1]
    assert places(6, "ehci")[-2:] == [(0, "6"), (1, "1")]
    assert [one.kind for one in plan_ports(6, EHCI).controllers] == ["ich9-ehci1"] * 2


@pytest.mark.parametrize("kind", ["xhci", "ehci"])
def test_adding_a_port_moves_no_other(kind: str) -> None:
    most = most_ports(KINDS[kind])
    everything = places(most, kind)
    assert len(set(everything)) == most
    for count in range(most):
        assert places(count, kind) == everything[:count]


def test_every_port_is_on_a_planned_controller() -> None:
    for kind in (XHCI, EHCI):
        plan = plan_ports(most_ports(kind), kind)
        sizes = {one.index: one.ports for one in plan.controllers}
        assert len(sizes) == MOST_CONTROLLERS
        assert all(1 <= int(port.port) <= sizes[port.bus] for port in plan.ports)


def test_no_ports_need_no_controller() -> None:
    assert plan_ports(0, XHCI).controllers == ()


@pytest.mark.parametrize("count", [-1, 9 * 15])
def test_more_than_fit_is_refused(count: int) -> None:
    with pytest.raises(ValueError, match="do not fit"):
        plan_ports(count, XHCI)
