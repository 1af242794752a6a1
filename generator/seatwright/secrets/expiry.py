"""What the certificates of a site say to everybody: when they end, and for which names they are.

These are findings of the day, not of the description: only ``check`` has them, never a render.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path

from seatwright.findings.problem import Problem
from seatwright.findings.words import listed
from seatwright.plan import Plan, PlannedHost, source_path
from seatwright.secrets.certificates import Validity, read_certificates
from seatwright.secrets.state import RENEW_DAYS, names_of
from seatwright.secrets.store import certificate_file

MAKE = "Run seatwright secrets on the site, then the playbooks clients.yml and guests.yml."


def certificate_problems(folder: Path, plan: Plan, now: datetime) -> Iterator[Problem]:
    """About the certificates in a site's ``secrets/``; nothing where it has no such folder."""
    if not folder.is_dir():
        return
    for number, one in enumerate(_read(folder / certificate_file(None))):
        title = "The authority's certificate" if number == 0 else "The old authority's certificate"
        hint = (
            "Rotate it: seatwright secrets --rotate, then --renew, then, when every guest was "
            "started again, --retire."
        )
        yield from _ending(title, one, ("site",), hint, now)
    for host in plan.hosts.values():
        yield from _host_problems(folder, host, now)


def _read(path: Path) -> tuple[Validity, ...]:
    try:
        return read_certificates(path.read_text(encoding="ascii"))
    except (OSError, ValueError):
        return ()


def _host_problems(folder: Path, host: PlannedHost, now: datetime) -> Iterator[Problem]:
    found = _read(folder / certificate_file(host.name))
    path = (*source_path(host.origin), "address")
    if not found:
        text = f"{host.name} has no certificate, so no seat can trust it."
        yield Problem("certificate-names", path, text, MAKE)
        return
    missing = [name for name in names_of(host) if name not in found[0].names]
    if missing:
        text = f"The certificate of {host.name} is not for {listed(missing, 'and')}."
        yield Problem("certificate-names", path, text, MAKE)
    yield from _ending(f"The certificate of {host.name}", found[0], path, MAKE, now)


def _ending(
    title: str, one: Validity, path: tuple[str | int, ...], hint: str, now: datetime
) -> Iterator[Problem]:
    left = one.until - now
    if left <= timedelta(0):
        text = f"{title} ended on {one.until:%Y-%m-%d}: seats refuse what it stands for."
        yield Problem("certificate-ended", path, text, hint)
    elif left <= timedelta(days=RENEW_DAYS):
        text = f"{title} ends on {one.until:%Y-%m-%d}, in {left.days} days."
        yield Problem("certificate-ends", path, text, hint)
