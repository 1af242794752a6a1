"""TLS material of a host, as the program itself makes it for a site."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

from seatwright.secrets.certificates import new_authority, new_certificate

SITE = "Fennmoor Town Archive"
HOST = "quay"


def make_certificates(directory: Path, *names: str) -> None:
    """The three files that QEMU wants in its x509 directory; ``names`` default to loopback."""
    directory.mkdir(parents=True)
    now = datetime.now(UTC)
    authority = new_authority(SITE, now)
    host = new_certificate(authority, SITE, HOST, names or ("127.0.0.1",), now, 30)
    (directory / "ca-cert.pem").write_text(authority.certificate)
    (directory / "server-cert.pem").write_text(host.certificate)
    (directory / "server-key.pem").write_text(host.key)
