"""What each kind of host can do for its guests, and what a guest loses where it cannot."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from types import MappingProxyType

from seatwright.findings.problem import Problem
from seatwright.findings.words import listed
from seatwright.plan import PlannedHost, source_path
from seatwright.policy.proofs import Proofs
from seatwright.render.host_template import Wrong, fill

KINDS: Mapping[str, frozenset[str]] = MappingProxyType(
    {
        "libvirt": frozenset({"filter", "live-ports", "passwords"}),
        "systemd": frozenset({"filter", "live-ports", "passwords"}),
    }
)
"""What each kind known here can do; a host of the kind ``commands`` says so itself.

A redirection filter; ports added to a running guest; a password per guest, or (tickets) per
connection.
"""


def abilities(host: PlannedHost) -> frozenset[str]:
    """What a host can do."""
    return frozenset(host.can) if host.kind == "commands" else KINDS[host.kind]


def host_kinds(proofs: Proofs) -> Iterator[Problem]:
    """What guests lose on their host, and templates that cannot be filled in for a guest."""
    for host in proofs.plan.hosts.values():
        if host.guests:
            yield from _losses(host)
        yield from _template(proofs, host)


def _losses(host: PlannedHost) -> Iterator[Problem]:
    can, path = abilities(host), source_path(host.origin)
    guests = listed(host.guests[:3], "and") + (" and others" if len(host.guests) > 3 else "")
    if not can & {"passwords", "tickets"}:
        yield Problem(
            "host-without-password",
            path,
            f"{host.name} gives its guests neither passwords nor tickets: whoever reaches it opens "
            f"{guests}.",
            "Let its commands do one of the two and say so in can, or take another kind of host.",
            at_key=True,
        )
    if "filter" not in can:
        yield Problem(
            "host-without-filter",
            path,
            f"{host.name} filters nothing: only the seats themselves hold devices back from "
            f"{guests}.",
            "Say filter in can where its template writes one; else mind who can use a seat's "
            "network cable.",
            at_key=True,
        )
    if "live-ports" not in can:
        yield Problem(
            "no-live-ports",
            path,
            f"{host.name} adds no ports to a running guest: more ports come with its next start.",
            at_key=True,
        )


def _template(proofs: Proofs, host: PlannedHost) -> Iterator[Problem]:
    if host.template is None:
        return
    for name in host.guests:
        try:
            fill(host.template, proofs.plan, proofs.plan.guests[name])
        except Wrong as wrong:
            where = f"line {wrong.line}: " if wrong.line else ""
            yield Problem(
                "host-template",
                (*source_path(host.origin), "template"),
                f"The template cannot be filled in for {name}: {where}{wrong.message}.",
                "Its one variable is guest; text goes through a filter that quotes it: yaml, "
                "shell, ini, xml_text, xml_attribute, systemd_text.",
            )
            return
