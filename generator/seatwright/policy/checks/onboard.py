"""No onboard device passes any layer, at any bcdDevice: the proof, list by list.

The compiler writes the rules that see to it; this looks at what it wrote.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from seatwright.findings.problem import Problem
from seatwright.plan import PlannedOnboard, RuleSet, source_path
from seatwright.policy.algebra import AnyRule, Outcome
from seatwright.policy.algebra.outcome import Place
from seatwright.policy.algebra.wording import device_words
from seatwright.policy.proofs import (
    EVERY_CLASS,
    Proofs,
    natural_classes,
    node_rules,
    spots,
    witness_of,
)
from seatwright.policy.words import NAMES
from seatwright.usb.device import Device, Interface


def onboard_passes(proofs: Proofs) -> Iterator[Problem]:
    """Every onboard device that some layer would let through, whatever shape it shows."""
    for rules in proofs.plan.rules.values():
        model = proofs.plan.models[rules.model]
        for layer, some in layers(rules):
            tree = proofs.outcome(some)
            for device in model.onboard:
                witness = _passing(proofs, tree, device)
                if witness is not None:
                    yield _problem(rules, layer, device, witness)


def layers(rules: RuleSet) -> Iterator[tuple[str, Sequence[AnyRule]]]:
    """Every layer of a rule set with its name."""
    for spot in spots(rules):
        where = "" if spot.socket is None else f' in the socket "{spot.socket}"'
        yield f"the client's redirect rules{where}", spot.redirect
        yield f"the client's permitted rules{where}", spot.permitted
        yield f"the node permissions{where}", node_rules(spot.nodes)
    yield "the host's filter", rules.host


def _passing(proofs: Proofs, tree: Outcome, onboard: PlannedOnboard) -> Device | None:
    """A shape of the id that passes, those of a peripheral for which port paths decide aside."""
    for place in tree.places(onboard.vendor, onboard.product, None):
        if not place.classes:
            continue
        for usb_class in natural_classes(place.classes & ~_by_port_path(proofs, place)):
            return Device(
                place.vendor, place.product, place.version, interfaces=(Interface(usb_class, 1, 1),)
            )
    return None


def _by_port_path(proofs: Proofs, place: Place) -> int:
    """The classes, as bits, that a peripheral of this id may pass with."""
    bits = 0
    for name in proofs.may_pass:
        one = proofs.plan.peripherals[name]
        versions = (None, place.version)
        if (one.vendor, one.product) == (place.vendor, place.product) and (
            one.bcd_device in versions
        ):
            codes = {interface.usb_class for interface in one.interfaces}
            if not codes:
                return EVERY_CLASS
            for code in (*codes, one.device_class):
                bits |= 1 << code
    return bits


def _problem(rules: RuleSet, layer: str, device: PlannedOnboard, witness: Device) -> Problem:
    return Problem(
        "onboard-passes",
        source_path(device.origin),
        f"The onboard device at {device.port} of {rules.model} would pass {layer} under the "
        f"policy {rules.policy}: {device_words(witness, NAMES)}.",
        "This is a fault of the program; do not use these rules, and please report it.",
        ((source_path(f"policies/{rules.policy}"), "the policy"),),
        witness_of(witness),
    )
