"""Which device goes to the guest when: the logic, without the library that carries it out.

The library hands a device over by itself only under conditions (a free port at the moment of the
plug, the keyboard's focus) and never tries again.  So it is told to do nothing by itself, and
:class:`Handover` looks at everything that is plugged in whenever something changed: a device came
or went, a port appeared or became free, a person picked or took back.  A device that was refused
is not tried again until it is plugged anew, picked, or the connection is a new one.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from typing import Protocol

from seatwright.client.decide import Kind, Verdict
from seatwright.client.state import PublishedDevice


class Status(StrEnum):
    """Where a device is."""

    HERE = "here"
    GOING = "going"
    THERE = "there"
    WAITING = "waiting"
    FAILED = "failed"


class Event(StrEnum):
    """What is worth telling; each is a message to the person and a line for the operator."""

    ARRIVED = "device-arrived"
    LEFT = "device-left"
    REFUSED = "device-refused"
    BUSY = "device-busy"
    GONE = "device-gone"
    NO_PORT = "no-port"


@dataclass
class Plugged:
    """A device that is plugged in. ``wanted``: it should be at the guest."""

    key: int
    id: str
    place: str
    name: str
    verdict: Verdict
    wanted: bool = False
    status: Status = Status.HERE
    error: str = ""

    def published(self) -> PublishedDevice:
        """As the state file has it."""
        return PublishedDevice(self.id, self.place, self.name)


Done = Callable[[str | None], None]
"""Called once with None, or with the library's own words for what went wrong."""


class Bus(Protocol):
    """What carries devices to the guest."""

    def ports(self) -> int:
        """How many redirection ports the guest has; 0 while it is not connected."""

    def free_ports(self) -> int:
        """How many of them are free."""

    def refusal(self, key: int) -> str | None:
        """Why a device cannot go although a port is free; None where it can."""

    def connect(self, key: int, done: Done) -> None:
        """Hand it over."""

    def disconnect(self, key: int, done: Done) -> None:
        """Take it back."""


Report = Callable[[Event, Plugged], None]


class Handover:
    """Everything plugged in, in the order it came, and what is being done with it."""

    def __init__(self, bus: Bus, report: Report) -> None:
        self._bus = bus
        self._report = report
        self._plugged: dict[int, Plugged] = {}
        self._live = False

    def plugged(self) -> tuple[Plugged, ...]:
        """All devices, in the order they came."""
        return tuple(self._plugged.values())

    def added(self, device: Plugged) -> None:
        """A device was plugged in."""
        device.wanted = device.verdict.kind is Kind.REDIRECT
        self._plugged[device.key] = device
        self.consider()

    def removed(self, key: int) -> None:
        """A device was pulled; its port may be free now."""
        device = self._plugged.pop(key, None)
        if device is not None and device.status is Status.GOING:
            self._report(Event.GONE, device)
        self.consider()

    def connected_anew(self) -> None:
        """The connection is a new one: what was refused before may be welcome now."""
        self._all_here()
        self._live = True
        self.consider()

    def lost(self) -> None:
        """The connection is gone, and with it every device at the guest; they stay wanted.

        Its ports go one by one: until there is a new connection none of them is used.
        """
        self._live = False
        self._all_here()

    def pick(self, key: int) -> None:
        """A person asks for a device; only what the policy lets go can be asked for."""
        device = self._plugged.get(key)
        if device is None or device.verdict.kind is Kind.KEEP:
            return
        device.wanted = True
        if device.status is Status.FAILED:
            device.status = Status.HERE
        self.consider()

    def take_back(self, key: int) -> None:
        """A person wants a device back here."""
        device = self._plugged.get(key)
        if device is None:
            return
        device.wanted = False
        if device.status is Status.THERE:
            device.status = Status.GOING
            self._bus.disconnect(key, lambda error: self._taken_back(key, error))
        elif device.status is not Status.GOING:
            device.status = Status.HERE

    def failed(self, key: int, error: str) -> None:
        """The guest refused a device, or lost it, after it had been handed over."""
        device = self._plugged.get(key)
        if device is not None:
            self._fail(device, Event.REFUSED, error)
            self.consider()

    def holders(self) -> tuple[Plugged, ...]:
        """The devices that hold ports."""
        return tuple(d for d in self.plugged() if d.status in (Status.THERE, Status.GOING))

    def consider(self) -> None:
        """Hand over whatever is wanted, not there yet and possible."""
        if not self._live or self._bus.ports() == 0:
            return
        for device in self.plugged():
            if device.wanted and device.status in (Status.HERE, Status.WAITING):
                self._try(device)

    def _all_here(self) -> None:
        for device in self._plugged.values():
            device.status, device.error = Status.HERE, ""

    def _try(self, device: Plugged) -> None:
        if self._bus.free_ports() == 0:
            if device.status is not Status.WAITING:
                device.status = Status.WAITING
                self._report(Event.NO_PORT, device)
            return
        refusal = self._bus.refusal(device.key)
        if refusal is not None:
            self._fail(device, Event.REFUSED, refusal)
            return
        device.status = Status.GOING
        self._bus.connect(device.key, lambda error: self._handed_over(device, error))

    def _handed_over(self, device: Plugged, error: str | None) -> None:
        """``device`` may have been pulled meanwhile, or another may have its key."""
        if self._plugged.get(device.key) is not device or device.status is not Status.GOING:
            return
        if error is not None:
            self._fail(device, Event.BUSY, error)
        else:
            device.status = Status.THERE
            self._report(Event.ARRIVED, device)
            if not device.wanted:
                self.take_back(device.key)
        self.consider()

    def _taken_back(self, key: int, error: str | None) -> None:
        device = self._plugged.get(key)
        if device is None or device.status is not Status.GOING:
            return
        device.status = Status.HERE
        device.error = error or ""
        self._report(Event.LEFT, device)
        self.consider()

    def _fail(self, device: Plugged, event: Event, error: str) -> None:
        device.status, device.error = Status.FAILED, error
        self._report(event, device)
