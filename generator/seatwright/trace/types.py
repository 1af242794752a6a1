"""What a trace is, as ``seatwright trace --json`` prints it.

Numbers of rules and node keys count from 1, interfaces from 0 as the device does.  Nothing in it
comes from the machine's own usb.ids.
"""

from __future__ import annotations

from typing import Any, Literal

import msgspec

from seatwright.findings.words import printable_json
from seatwright.plan import Value, VerdictWord
from seatwright.site.schema import DIALECT

LayerName = Literal[
    "port path", "client: permitted", "client: redirect", "device node", "host", "ports"
]
"""In the order in which they stand between the device and its guest."""


class TracedRule(Value, frozen=True, kw_only=True):
    """A rule of a list, or a key of the node permissions (which has no origin).

    ``text`` is as the filter string has it; ``origin`` the description path that caused it,
    ``place`` its ``file:line:column`` and ``written`` what stands there.
    """

    number: int
    text: str
    words: str
    allow: bool
    origin: str
    place: str
    written: str
    protects: bool


class Question(Value, frozen=True, kw_only=True):
    """A class of the device put to the rules; ``interface`` None for the device class.

    ``rule`` is the number of the first that matches (None: none does).  ``decides`` marks the one
    question after which the answer stands.
    """

    interface: int | None
    usb_class: int
    class_name: str
    rule: int | None
    allowed: bool
    decides: bool


class Answer(Value, frozen=True, kw_only=True):
    """A decision; ``reason`` as in ``usb.filter.Reason``, ``skipped`` what was not looked at."""

    allowed: bool
    reason: str
    questions: tuple[Question, ...]
    skipped: tuple[int, ...]


class Layer(Value, frozen=True, kw_only=True):
    """One layer: whether the device passes it, and ``words`` that say why.

    The client's lists are decided strictly by our session; ``plain`` is what usbredir's library
    says without its strict flag, as the host does.  ``difference`` explains the two where they
    differ, or could.  Layers without rules have neither.
    """

    name: LayerName
    passes: bool
    words: str
    strict: Answer | None = None
    plain: Answer | None = None
    difference: str = ""
    rules: tuple[TracedRule, ...] = ()


class TracedPlaces(Value, frozen=True, kw_only=True):
    """Where the device is plugged in: sockets by label, ``others`` for all ports beside them.

    ``port`` is the one port path that was asked for (``sockets`` then names the one it is in).
    """

    words: str
    sockets: tuple[str, ...]
    others: bool
    port: str | None


class Group(Value, frozen=True, kw_only=True):
    """Seats and places where the answer is the same, for the same reasons.

    ``stopped_by`` is the first layer that keeps the device; ``layers`` are those of the first
    cell.
    """

    cells: tuple[str, ...]
    seats: tuple[str, ...]
    places: TracedPlaces
    verdict: VerdictWord
    stopped_by: LayerName | None
    because: str
    layers: tuple[Layer, ...]


class TracedInterface(Value, frozen=True, kw_only=True):
    """Class, and subclass and protocol where known."""

    usb_class: int
    class_name: str
    subclass: int | None
    protocol: int | None


class Variant(Value, frozen=True, kw_only=True):
    """The device, or one of the forms it may have where its version or interfaces are not known.

    ``form`` says which (empty: every form gets the same answer); ``interfaces`` are those the
    answer was worked out with.
    """

    form: str
    bcd_device: int
    interfaces: tuple[TracedInterface, ...]
    sentences: tuple[str, ...]
    groups: tuple[Group, ...]


class TracedDevice(Value, frozen=True, kw_only=True):
    """The device asked for. ``bcd_device`` None: any; ``interfaces`` None: not known.

    ``source`` is where it was described or captured.  ``own_words`` are what a captured device
    says of itself.
    """

    words: str
    peripheral: str | None
    vendor: int
    product: int
    bcd_device: int | None
    device_class: int
    interfaces: tuple[TracedInterface, ...] | None
    configured: bool
    source: str
    own_words: str


class Trace(Value, frozen=True, kw_only=True):
    """One device at a seat or in a room."""

    device: TracedDevice
    notes: tuple[str, ...]
    variants: tuple[Variant, ...]


class TraceDocument(Value, frozen=True, kw_only=True):
    """All that was traced; ``format`` grows when an old reader would misread it."""

    format: Literal[1]
    site: str
    at: str
    traces: tuple[Trace, ...]


def to_json(document: TraceDocument) -> str:
    """The document as JSON, ending in a line end."""
    text = msgspec.json.format(msgspec.json.encode(document), indent=2).decode()
    return printable_json(text) + "\n"


def trace_schema() -> dict[str, Any]:
    """JSON Schema 2020-12 of what :func:`to_json` writes."""
    return {"$schema": DIALECT, "title": "A trace", **msgspec.json.schema(TraceDocument)}
