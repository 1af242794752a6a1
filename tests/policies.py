"""Small policies and models as the plan holds them, for tests that need no description."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence

from hypothesis import strategies as st

from seatwright.plan import (
    PlannedLine,
    PlannedModel,
    PlannedOnboard,
    PlannedPolicy,
    PlannedRule,
    PlannedSocket,
    RuleSet,
)
from seatwright.usb.device import Device, Interface
from seatwright.usb.filter import ANY, Rule

ADAPTER = (0x1209, 0x0002)
"""The id of an onboard network adapter."""

SHELF, LAMP = "under the shelf", "beside the lamp"


def line(
    verdict: str,
    vendor: int | None = None,
    product: int | None = None,
    bcd_device: int | None = None,
    *usb_classes: int,
    peripheral: str | None = None,
    socket: str | None = None,
    origin: str | None = None,
) -> PlannedLine:
    """A policy line; without ``origin`` it is named by what it says."""
    said = (verdict, vendor, product, bcd_device, usb_classes, peripheral, socket)
    return PlannedLine(
        verdict=verdict,  # type: ignore[arg-type]
        text=str(said),
        vendor=vendor,
        product=product,
        bcd_device=bcd_device,
        usb_classes=usb_classes,
        peripheral=peripheral,
        socket=socket,
        origin=origin or "/".join(map(str, said)),
    )


def policy(*lines: PlannedLine) -> PlannedPolicy:
    return PlannedPolicy(name="readers", title="", lines=lines, origin="policies/readers")


def model(*onboard: tuple[int, int], labels: Sequence[str] = ()) -> PlannedModel:
    """A model with onboard devices of these ids, and sockets at 1-2, 1-3, …"""
    return PlannedModel(
        name="ridge",
        title="",
        arch="arm64",
        link=10**9,
        network="usb",
        onboard=tuple(
            PlannedOnboard(
                port=f"2-3.{number}",
                vendor=vendor,
                product=product,
                usb_class=None,
                carries=None,
                origin=f"models/ridge/onboard/{number}",
            )
            for number, (vendor, product) in enumerate(onboard)
        ),
        sockets=tuple(
            PlannedSocket(label=label, ports=(f"1-{number}",), speed="high")
            for number, label in enumerate(labels, start=2)
        ),
        origin="models/ridge",
    )


def brief(rules: Sequence[PlannedRule]) -> list[tuple[int, int, int, int, bool]]:
    """Rules without where they come from."""
    return [(r.usb_class, r.vendor, r.product, r.version, r.allow) for r in rules]


def plain(rules: Sequence[PlannedRule]) -> tuple[Rule, ...]:
    """Rules as usb/filter.py decides them."""
    return tuple(Rule(*fields) for fields in brief(rules))


def lists_of(compiled: RuleSet) -> list[tuple[PlannedRule, ...]]:
    """Every rule list of a rule set."""
    sockets = [rules for one in compiled.sockets for rules in (one.redirect, one.permitted)]
    return [compiled.redirect, compiled.permitted, compiled.host, *sockets]


def allows(rules: Sequence[PlannedRule], point: tuple[int, int, int, int]) -> bool:
    """First match at one point, written down once more, independently of usb/filter.py."""
    for rule in rules:
        fields = (rule.usb_class, rule.vendor, rule.product, rule.version)
        if all(field in (ANY, value) for field, value in zip(fields, point, strict=True)):
            return rule.allow
    return False


CLASSES = (0x02, 0x03, 0x08, 0x09, 0xFF)
VENDORS = (0x1209, 0x0001)
PRODUCTS = (0x0002, 0x0003)
VERSIONS = (0x0100, 0x0110)
OTHER_CLASS, OTHER = 0x58, 0x7777
"""Values that no generated line mentions."""


def all_points() -> Iterator[tuple[int, int, int, int]]:
    """Every mix of the mentioned values and one more in each field: all that rules can tell."""
    return itertools.product(
        (*CLASSES, OTHER_CLASS), (*VENDORS, OTHER), (*PRODUCTS, OTHER), (*VERSIONS, OTHER)
    )


def _matches() -> st.SearchStrategy[tuple[int | None, ...]]:
    vendor, product, version = map(st.sampled_from, (VENDORS, PRODUCTS, VERSIONS))
    nothing = st.none()
    return st.one_of(
        st.tuples(nothing, nothing, nothing),
        st.tuples(vendor, nothing, nothing),
        st.tuples(vendor, product, nothing),
        st.tuples(vendor, product, version),
    )


@st.composite
def lines(draw: st.DrawFn) -> PlannedLine:
    """Any line over the values above; some name a peripheral that may pass everywhere."""
    match = draw(_matches())
    classes = draw(st.lists(st.sampled_from(CLASSES), max_size=3, unique=True))
    named = match[1] is not None and draw(st.booleans())
    return line(
        draw(st.sampled_from(("redirect", "offer", "keep"))),
        *match,
        *sorted(classes),
        peripheral="adapter" if named else None,
        socket=draw(st.sampled_from((None, None, SHELF, LAMP))),
    )


def policies() -> st.SearchStrategy[PlannedPolicy]:
    return st.lists(lines(), max_size=8).map(lambda some: policy(*some))


def models() -> st.SearchStrategy[PlannedModel]:
    ids = st.tuples(st.sampled_from(VENDORS), st.sampled_from(PRODUCTS))
    return st.lists(ids, max_size=2).map(lambda some: model(*some, labels=(SHELF, LAMP)))


MAY_PASS = st.sampled_from((frozenset[str](), frozenset({"adapter"})))


@st.composite
def devices(draw: st.DrawFn) -> Device:
    """Devices over the same values, unconfigured ones and boot keyboards among them."""
    field = {name: draw(st.sampled_from((*values, OTHER))) for name, values in _FIELDS.items()}
    configured = draw(st.booleans()) or draw(st.booleans())
    interface = st.builds(
        Interface,
        st.sampled_from((*CLASSES, OTHER_CLASS)),
        st.sampled_from((None, 0, 1)),
        st.sampled_from((None, 0, 1)),
    )
    return Device(
        **field,
        device_class=draw(st.sampled_from((0x00, 0xEF, *CLASSES, OTHER_CLASS))),
        interfaces=tuple(draw(st.lists(interface, max_size=3))) if configured else (),
        configured=configured,
    )


_FIELDS = {"vendor": VENDORS, "product": PRODUCTS, "bcd_device": VERSIONS}
