"""bcdDevices that a host's own notation cannot say."""

from __future__ import annotations

from collections.abc import Iterator

from seatwright.findings.problem import Problem
from seatwright.plan import source_path
from seatwright.policy.proofs import Proofs
from seatwright.usb.filter import ANY


def unsayable_versions(proofs: Proofs) -> Iterator[Problem]:
    """A problem for each line that makes a libvirt filter name a bcdDevice with a digit above 9.

    libvirt writes bcdDevice as two decimal numbers (libvirt 9.0, ``formatdomain``, redirfilter).
    """
    plan = proofs.plan
    rules = {
        guest.rules for guest in plan.guests.values() if plan.hosts[guest.host].kind == "libvirt"
    }
    said: set[tuple[str, int]] = set()
    for name in sorted(rules):
        for rule in plan.rules[name].host:
            version = f"{rule.version:04x}"
            key = rule.origin, rule.version
            if rule.version == ANY or version.isdecimal() or key in said:
                continue
            said.add(key)
            yield Problem(
                "unsayable-version",
                source_path(rule.origin),
                f"libvirt cannot be told the bcdDevice {version[:2]}.{version[2:]}: it writes "
                "bcdDevice in decimal digits, and this one has a digit above 9.",
                "Name the device without its bcdDevice.",
            )
