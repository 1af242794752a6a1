"""What in the two descriptions makes a room change, with its places."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Literal

from seatwright.plan import (
    Plan,
    PlannedModel,
    PlannedOnboard,
    PlannedPeripheral,
    PlannedSeat,
    PlannedSocket,
    origin,
)
from seatwright.review.change import Cause
from seatwright.review.side import ReadSide

SideName = Literal["old", "new"]

Written = Mapping[object, tuple[str, str]]
"""What is written: something to compare by, with its origin and its words."""


class Causes:
    """Finds what one side has written and the other has not."""

    def __init__(self, old: ReadSide, new: ReadSide) -> None:
        self._sides: tuple[tuple[SideName, ReadSide], ...] = (("old", old), ("new", new))

    def of_room(self, old: Plan, new: Plan, seats: Sequence[str]) -> tuple[Cause, ...]:
        """For seats that both plans have: policies, models, peripherals, and who has which."""
        before, after = (
            {key: value for seat in seats for key, value in written(plan, plan.seats[seat]).items()}
            for plan in (old, new)
        )
        return (
            *self._only(0, before, after),
            *self._only(1, after, before),
        )

    def _only(self, side: int, here: Written, there: Written) -> Iterator[Cause]:
        name, read = self._sides[side]
        for key, (where, text) in here.items():
            if key not in there:
                yield Cause(side=name, place=read.place_of(where), text=text)


def written(plan: Plan, seat: PlannedSeat) -> Written:
    """All that decides what happens to devices at a seat."""
    room, policy, model = plan.rooms[seat.room], plan.policies[seat.policy], plan.models[seat.model]
    found: dict[object, tuple[str, str]] = {
        ("policy", seat.room, seat.policy): (
            f"{room.origin if seat.policy == room.policy else seat.origin}/policy",
            f"policy: {seat.policy}",
        ),
        ("model", seat.room, seat.model): (f"{seat.origin}/model", f"model: {seat.model}"),
    }
    for line in policy.lines:
        where = f' at "{line.socket}"' if line.socket else ""
        text = f"{policy.name}: {line.verdict} {line.text}{where}"
        found["line", policy.name, line.verdict, line.text, line.socket] = (line.origin, text)
        peripheral = plan.peripherals.get(line.peripheral or "")
        if peripheral is not None:
            found["device", peripheral.name, *_shape(peripheral)] = (
                peripheral.origin,
                f"the peripheral {peripheral.name}",
            )
    for device in model.onboard:
        found["onboard", model.name, *_onboard(device)] = (
            device.origin,
            f"{model.name}: onboard {device.vendor:04x}:{device.product:04x} at {device.port}",
        )
    for socket in model.sockets:
        found["socket", model.name, *_socket(socket)] = (
            _sockets(model),
            f'{model.name}: socket "{socket.label}" at {" and ".join(socket.ports)}',
        )
    return found


def _shape(one: PlannedPeripheral) -> tuple[object, ...]:
    return (
        one.vendor,
        one.product,
        one.bcd_device,
        one.device_class,
        one.interfaces,
        one.port_paths_decide,
    )


def _onboard(one: PlannedOnboard) -> tuple[object, ...]:
    return one.port, one.vendor, one.product, one.usb_class


def _socket(one: PlannedSocket) -> tuple[object, ...]:
    return one.label, one.ports


def _sockets(model: PlannedModel) -> str:
    return origin((model.origin, "sockets"))
