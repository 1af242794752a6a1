"""A seat's policy tried out on its twin: every peripheral of the site, at every kind of place."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial

from seatwright.plan import Plan, PlannedPeripheral
from seatwright.trace.layers import decided, stopped_by
from seatwright.trace.places import Asked, Where, everywhere, units_at
from seatwright.trace.subject import of_peripheral
from seatwright.twin.descriptors import Shape
from seatwright.twin.emulator import wait_until
from seatwright.twin.errors import TwinError
from seatwright.twin.pair import Twin
from seatwright.twin.peer import Player

FIRST_VERSION = 0x0100
"""bcdDevice of a peripheral that is described without one."""
ANY_CLASS = 0xFF
"""Class of the one interface of a peripheral that is described without any."""
SETTLE = 3.0
"""Seconds in which a device that stays could still turn up."""
CONSIDERED = ("device-keep", "device-offer", "device-redirect")


@dataclass(frozen=True, slots=True)
class Trial:
    """One device to plug in at one place; ``arrives``: by itself, as the plan says."""

    peripheral: str
    place: str
    port: str
    shape: Shape
    arrives: bool


@dataclass(frozen=True, slots=True)
class Tried:
    """What became of a trial: what the session said, and whether the guest has it."""

    trial: Trial
    said: str
    arrived: bool

    @property
    def as_planned(self) -> bool:
        """Whether the twin did what the plan says."""
        return self.arrived == self.trial.arrives


def trials(plan: Plan, seat: str) -> tuple[Trial, ...]:
    """Every peripheral of the site at one socket of each kind that the seat has."""
    (unit,) = units_at(plan, seat)
    found = []
    for where in everywhere(unit):
        for label in where.sockets[:1]:
            port = next(one.ports[0] for one in unit.model.sockets if one.label == label)
            for peripheral in plan.peripherals.values():
                found.append(_trial(plan, seat, where, label, port, peripheral))
    return tuple(found)


def _trial(
    plan: Plan, seat: str, where: Where, label: str, port: str, peripheral: PlannedPeripheral
) -> Trial:
    (unit,) = units_at(plan, seat)
    subject = of_peripheral(peripheral)
    version = FIRST_VERSION if subject.bcd_device is None else subject.bcd_device
    asked = Asked(subject, subject.form(version, ANY_CLASS), unit, where)
    decision = decided(asked)
    goes = stopped_by(asked, decision) is None and decision.redirect.allowed
    shape = Shape(asked.device, peripheral.title or peripheral.name)
    return Trial(peripheral.name, label, port, shape, goes)


def rehearse(twin: Twin, wanted: tuple[Trial, ...]) -> Iterator[Tried]:
    """Try one after the other; raises :class:`TwinError` where the twin gets stuck."""
    client = twin.client
    player = Player(client.emulator.qmp, client.sockets, client.directory)
    for trial in wanted:
        since = client.cursor()
        player.plug(trial.port, trial.shape)
        said = wait_until("word of the session", partial(_said, twin, since), 60, every=0.3)
        arrived = _arrives(twin)
        player.pull(trial.port)
        wait_until("end of the device", lambda: twin.guest.attached() == 0, 30)
        yield Tried(trial, said, arrived)


def _said(twin: Twin, since: str) -> str | None:
    for line in twin.client.events(since):
        if line["SEATWRIGHT_EVENT"] in CONSIDERED:
            return line["MESSAGE"]
    return None


def _arrives(twin: Twin) -> bool:
    try:
        wait_until("device", lambda: twin.guest.attached() == 1, SETTLE)
    except TwinError:
        return False
    return True
