"""What a layer cannot tell: listed, so that nobody relies on it.

The host's filter knows no port paths and decides without usbredir's strict flag.
"""

from __future__ import annotations

from collections.abc import Iterator

from seatwright.findings.problem import Problem
from seatwright.plan import RuleSet, source_path
from seatwright.policy.algebra import device_at, included
from seatwright.policy.algebra.wording import region_words
from seatwright.policy.proofs import EVERY_CLASS, Proofs, natural_classes, spots, witness_of
from seatwright.policy.words import NAMES
from seatwright.usb.classes import HID
from seatwright.usb.device import Device, Interface

PLAIN_HID = Interface(HID, 0, 0)


def blind_layers(proofs: Proofs) -> Iterator[Problem]:
    """One for each policy whose sockets the host cannot tell apart, and one for the site."""
    told = set()
    for rules in proofs.plan.rules.values():
        if rules.sockets and rules.policy not in told:
            problem = _sockets(proofs, rules)
            if problem is not None:
                told.add(rules.policy)
                yield problem
    yield from _skipped_interfaces(proofs)


def _sockets(proofs: Proofs, rules: RuleSet) -> Problem | None:
    """The first thing that the host permits and some port path of the client does not."""
    for spot in spots(rules):
        beyond = included(proofs.outcome(rules.host), proofs.outcome(spot.permitted))
        if beyond:
            where = "the other ports" if spot.socket is None else f'the socket "{spot.socket}"'
            return Problem(
                "host-sees-no-sockets",
                (*source_path(f"policies/{rules.policy}"), "sockets"),
                f"The host's filter cannot tell sockets apart: it permits "
                f"{region_words(beyond[0], NAMES)}, which the client keeps in {where}.",
                "Nothing to do: the client's session and node permissions see to it.",
                witness=witness_of(device_at(beyond[0].witness)),
                at_key=True,
            )
    return None


def _skipped_interfaces(proofs: Proofs) -> Iterator[Problem]:
    """A composite device whose plain HID interface the host's filter does not look at."""
    found: list[tuple[RuleSet, Device]] = []
    for rules in proofs.plan.rules.values():
        for place in proofs.outcome(rules.host).places(None, None, None):
            others = place.classes & EVERY_CLASS & ~(1 << HID)
            if others and not place.classes >> HID & 1:
                first = next(iter(natural_classes(others)))
                shown = (Interface(first, 1, 1), PLAIN_HID)
                device = Device(place.vendor, place.product, place.version, interfaces=shown)
                found.append((rules, device))
                break
    if found:
        rules, device = found[0]
        policies = len({one.policy for one, _ in found})
        yield Problem(
            "host-skips-hid",
            source_path(f"policies/{rules.policy}"),
            "The host's filter does not look at HID interfaces of subclass 0 and protocol 0 in "
            "devices with several interfaces, so it permits such a device for its other ones "
            f"(under {policies} {'policy' if policies == 1 else 'policies'} here).",
            "Nothing to do: the client's session decides strictly and keeps it.",
            witness=witness_of(device),
            at_key=True,
        )
