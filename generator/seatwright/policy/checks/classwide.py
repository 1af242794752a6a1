"""Lines that let through a whole class of which people in the trade would name the devices."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from types import MappingProxyType

from seatwright.findings.problem import Problem
from seatwright.plan import PlannedLine, source_path
from seatwright.policy.proofs import Proofs
from seatwright.policy.table import classes_of

NAMED_RATHER: Mapping[int, str] = MappingProxyType(
    {
        0x02: "network adapters, which can put the guest into another network",
        0x0A: "network adapters, which can put the guest into another network",
        0x0B: "smart cards, some of which the client itself may be unlocked with",
        0xE0: "wireless adapters, which can put the guest into another network",
        0xFF: "whatever a maker calls his own, network adapters among it",
    }
)
"""Class -> what it may be that a person plugs in."""


def class_wide(proofs: Proofs) -> Iterator[Problem]:
    """One for each line that redirects such a class, whoever made the device."""
    for policy in proofs.plan.policies.values():
        for line in policy.lines:
            if line.verdict == "redirect" and line.vendor is None:
                yield from _problem(line)


def _problem(line: PlannedLine) -> Iterator[Problem]:
    classes = classes_of(line)
    reasons = dict.fromkeys(NAMED_RATHER[code] for code in classes if code in NAMED_RATHER)
    if not classes:
        reasons = dict.fromkeys(["anything that anybody plugs in"])
    if reasons:
        yield Problem(
            "class-wide",
            source_path(line.origin),
            f"{line.text} redirects {', and '.join(reasons)}.",
            "Describe the devices that are meant as peripherals, and name those.",
        )
