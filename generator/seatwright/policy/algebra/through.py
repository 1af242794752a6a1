"""Whether devices of a kind always, never or sometimes pass a rule list.

A *pattern* says which devices are meant: each of id, bcdDevice and device class one value or any,
the interfaces all listed or with more of any kind.  The answer is exact over all such devices, for
usbredir's plain decision or the strict one (see ``usb.filter``).

How: for each way in which the list treats an id and version (``Outcome.places``), all that matters
is which classes pass there.  Then a few devices of the pattern are enough to try:

* Of device classes: one that says nothing (0x00), and one that is checked and does not pass.
* Of further interfaces: none; one that passes; one that does not.  What a further interface adds is
  a check that passes or fails, and, under the plain decision, company for 3/0/0 HID interfaces
  that are then skipped: one interface that passes does that, a second changes nothing more.  Those
  two are given another subclass than 0, so that they are checked themselves; a further 3/0/0
  interface is either skipped (as if it were not there) or checked (then class 0x03 passing or not
  is what decides, as for the two).

If none of these passes, no device of the pattern passes; likewise for being kept.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum
from itertools import islice

from seatwright.policy.algebra.compare import Rules, tree_in
from seatwright.policy.algebra.outcome import Forest, Outcome, Place
from seatwright.policy.algebra.sets import natural
from seatwright.policy.algebra.space import CLASS
from seatwright.usb.device import Device, Interface

SAYS_NOTHING = (0x00, 0xEF)
"""Device classes that are not checked."""

HID = 0x03


class Passing(StrEnum):
    """Whether the devices of a pattern pass."""

    ALWAYS = "always"
    NEVER = "never"
    DEPENDS = "depends"


@dataclass(frozen=True, slots=True)
class Pattern:
    """Which devices are meant; None is any value.

    ``interfaces``: those that every such device has, in order.
    ``more``: whether it may have further ones, of any kind.
    ``bare``: whether devices without any interface count, where the pattern has such
    (no ``interfaces`` listed).  The plain decision lets a bare device with device class 0x00 or
    0xEF pass whatever the rules say, the strict one keeps every bare device.
    """

    vendor: int | None = None
    product: int | None = None
    version: int | None = None
    device_class: int | None = None
    interfaces: tuple[Interface, ...] = ()
    more: bool = False
    bare: bool = True

    def __post_init__(self) -> None:
        if not (self.interfaces or self.more or self.bare):
            raise ValueError("a pattern without interfaces, more interfaces and bare devices")


def any_shape(
    vendor: int | None, product: int | None, version: int | None = None, *, bare: bool = True
) -> Pattern:
    """An id with any device class and any interfaces, by default at any bcdDevice."""
    return Pattern(vendor, product, version, more=True, bare=bare)


def only_class(usb_class: int) -> Pattern:
    """Devices of one interface, of this class, that only their interface describes."""
    return Pattern(device_class=0x00, interfaces=(Interface(usb_class),))


def with_device_class(usb_class: int, *, bare: bool = True) -> Pattern:
    """Devices whose device class is this one, with any interfaces."""
    return Pattern(device_class=usb_class, more=True, bare=bare)


@dataclass(frozen=True, slots=True)
class Through:
    """The answer, with a device of the pattern that passes and one that is kept, if any."""

    passing: Passing
    witness_through: Device | None
    witness_kept: Device | None


def passes(
    rules: Rules, pattern: Pattern, *, strict: bool, forest: Forest | None = None
) -> Through:
    """Whether the devices of a pattern pass a list.

    A list that is asked more than once is best turned into an outcome before.
    """
    tree = tree_in(rules, forest or (rules.forest if isinstance(rules, Outcome) else Forest()))
    through = kept = None
    for place in tree.places(pattern.vendor, pattern.product, pattern.version):
        for device in _devices(pattern, place, tree.forest.space.classes):
            if _passes_at(place.classes, device, strict):
                through = through or device
            else:
                kept = kept or device
        if through and kept:
            break
    if through and kept:
        return Through(Passing.DEPENDS, through, kept)
    return Through(Passing.ALWAYS if through else Passing.NEVER, through, kept)


def _passes_at(classes: int, device: Device, strict: bool) -> bool:
    """The decision on a device, from the classes that pass at its id and version."""
    if strict and not (device.configured and device.interfaces):
        return False
    return all(classes >> usb_class & 1 for usb_class in _checked(device, strict))


def _checked(device: Device, strict: bool) -> Iterator[int]:
    """The classes that are looked at."""
    if device.device_class not in SAYS_NOTHING:
        yield device.device_class
    skippable = [_is_skippable(one) for one in device.interfaces]
    skips = not strict and not all(skippable)
    for interface, skipped in zip(device.interfaces, skippable, strict=True):
        if not (skips and skipped):
            yield interface.usb_class


def _is_skippable(interface: Interface) -> bool:
    return (interface.usb_class, interface.subclass, interface.protocol) == (HID, 0, 0)


def _devices(pattern: Pattern, place: Place, size: int) -> Iterator[Device]:
    """The devices of the pattern at a place that are enough to try, simple ones first."""
    if pattern.device_class is None:
        device_classes = (0x00, *_first_class(~place.classes, size, SAYS_NOTHING))
    else:
        device_classes = (pattern.device_class,)
    for device_class in device_classes:
        for interfaces in _interface_lists(pattern, place, size):
            yield Device(
                vendor=place.vendor,
                product=place.product,
                bcd_device=place.version,
                device_class=device_class,
                interfaces=interfaces,
                configured=bool(interfaces),
            )


def _interface_lists(pattern: Pattern, place: Place, size: int) -> Iterator[tuple[Interface, ...]]:
    if pattern.interfaces:
        yield pattern.interfaces
    if pattern.more:
        for classes in (place.classes, ~place.classes):
            for usb_class in _first_class(classes, size):
                yield (*pattern.interfaces, Interface(usb_class, 1, 1))
    if not pattern.interfaces and pattern.bare:
        yield ()


def _first_class(classes: int, size: int, but: tuple[int, ...] = ()) -> tuple[int, ...]:
    """The most natural class among bits, or none."""
    found = (code for code in natural(CLASS, size) if classes >> code & 1 and code not in but)
    return tuple(islice(found, 1))
