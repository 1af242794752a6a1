"""From a plan and a device to its trace."""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass

from seatwright.plan import Plan, VerdictWord
from seatwright.trace import words
from seatwright.trace.forms import Form, forms_of
from seatwright.trace.layers import Locate, decided, layers_of, stopped_by
from seatwright.trace.places import (
    Asked,
    Unit,
    Where,
    at_port,
    everywhere,
    in_socket,
    joined,
    place_words,
)
from seatwright.trace.subject import Subject
from seatwright.trace.types import (
    Group,
    LayerName,
    Trace,
    TracedDevice,
    TracedInterface,
    TracedPlaces,
    Variant,
)
from seatwright.usb.classes import class_name
from seatwright.usb.device import Device, Interface
from seatwright.usb.portpath import PortPath


@dataclass(frozen=True, slots=True)
class Question:
    """Where the device is asked about: at these seats, in one socket, at one port, or anywhere."""

    at: str
    units: tuple[Unit, ...]
    socket: str | None = None
    port: PortPath | None = None


@dataclass(frozen=True, slots=True)
class Told:
    """What a colleague is told of one place: enough to see where answers part."""

    verdict: VerdictWord
    stopped_by: LayerName | None
    because: str


def trace(plan: Plan, subject: Subject, question: Question, locate: Locate) -> Trace:
    """One device at the seats of a question, in every form that it may have."""
    tracer = _Tracer(plan, subject, question, locate)
    rule_sets = {unit.rules.name: unit.rules for unit in question.units}
    forms = forms_of(subject, rule_sets.values(), tracer.answers)
    notes = [*subject.notes, *tracer.notes()]
    if subject.interfaces is None:
        notes.append(
            "Its interfaces are not known. Each answer is worked out with one that stands for all "
            "that get this answer; a device with several gets the least of what each gets."
        )
    return Trace(
        device=_device(subject, locate),
        notes=tuple(notes),
        variants=tuple(tracer.variant(form) for form in forms),
    )


@dataclass(frozen=True, slots=True)
class _Tracer:
    plan: Plan
    subject: Subject
    question: Question
    locate: Locate

    def places(self, unit: Unit) -> tuple[Where, ...]:
        """The places of a unit that are asked about; none where it lacks the socket."""
        if self.question.port is not None:
            return (at_port(unit, self.question.port),)
        if self.question.socket is not None:
            place = in_socket(unit, self.question.socket)
            return () if place is None else (place,)
        return everywhere(unit)

    def notes(self) -> list[str]:
        """Seats that are left out."""
        without = [unit for unit in self.question.units if not self.places(unit)]
        return [
            f"Clients of the model {unit.model.name} have no such socket; left out: "
            f"{words.seats_words(unit.seats)}."
            for unit in without
        ]

    def answers(self, device: Device) -> Hashable:
        """What is told at every unit and place."""
        return tuple(self.told(device, unit) for unit in self.question.units)

    def told(self, device: Device, unit: Unit) -> tuple[tuple[str, Told], ...]:
        """Places with the same answer joined, each with its words; those of the room last."""
        every = self.places(unit)
        return tuple(
            (place_words(joined(places), every), told)
            for told, places in self.grouped(device, unit).items()
        )

    def grouped(self, device: Device, unit: Unit) -> dict[Told, list[Where]]:
        groups: dict[Told, list[Where]] = {}
        for place in self.places(unit):
            told = self.told_at(Asked(self.subject, device, unit, place))
            # The room's place comes last and takes those that it is like along to the end.
            groups[told] = [*groups.pop(told, []), place]
        return groups

    def told_at(self, asked: Asked) -> Told:
        found = decided(asked)
        layer = stopped_by(asked, found)
        passing: VerdictWord = "redirect" if found.redirect.allowed else "offer"
        verdict: VerdictWord = "keep" if layer else passing
        cause = words.because(layer, asked, found.permitted)
        return Told(verdict, layer, cause)

    def variant(self, form: Form) -> Variant:
        device = form.device
        units: dict[tuple[tuple[str, Told], ...], list[Unit]] = {}
        for unit in self.question.units:
            if told := self.told(device, unit):
                units.setdefault(told, []).append(unit)
        return Variant(
            form=form.words,
            bcd_device=device.bcd_device,
            interfaces=_interfaces(device.interfaces),
            sentences=tuple(
                self.sentence(form.words, told, alike, len(units) == 1)
                for told, alike in units.items()
            ),
            groups=tuple(group for alike in units.values() for group in self.groups(device, alike)),
        )

    def sentence(
        self, form: str, told: Sequence[tuple[str, Told]], units: Sequence[Unit], only: bool
    ) -> str:
        """What a colleague is told of these units (``only``: of all that were asked about)."""
        at = words.at_words(self.plan, self.question.at)
        if not only:
            at = words.units_words(units)
        device = f"{self.subject.words} {form}".rstrip()
        parts = [(one.verdict, places, one.because) for places, one in told]
        return words.sentence(at, device, parts)

    def groups(self, device: Device, units: Sequence[Unit]) -> list[Group]:
        """The layers of the first unit, place by place; the others tell the same."""
        first = units[0]
        ports = {unit.ports for unit in units}
        every = self.places(first)
        groups = []
        for told, places in self.grouped(device, first).items():
            place = joined(places)
            asked = Asked(self.subject, device, first, place)
            groups.append(
                Group(
                    cells=tuple(dict.fromkeys(unit.cell for unit in units)),
                    seats=tuple(seat for unit in units for seat in unit.seats),
                    places=TracedPlaces(
                        words=place_words(place, every),
                        sockets=place.sockets,
                        others=place.others,
                        port=place.port,
                    ),
                    verdict=told.verdict,
                    stopped_by=told.stopped_by,
                    because=told.because,
                    layers=layers_of(asked, decided(asked), ports, self.plan, self.locate),
                )
            )
        return groups


def _device(subject: Subject, locate: Locate) -> TracedDevice:
    return TracedDevice(
        words=subject.words,
        peripheral=subject.peripheral,
        vendor=subject.vendor,
        product=subject.product,
        bcd_device=subject.bcd_device,
        device_class=subject.device_class,
        interfaces=None if subject.interfaces is None else _interfaces(subject.interfaces),
        configured=subject.configured,
        source=subject.source or locate(subject.origin),
        own_words=subject.own_words,
    )


def _interfaces(interfaces: Sequence[Interface]) -> tuple[TracedInterface, ...]:
    return tuple(
        TracedInterface(
            usb_class=one.usb_class,
            class_name=class_name(one.usb_class),
            subclass=one.subclass,
            protocol=one.protocol,
        )
        for one in interfaces
    )
