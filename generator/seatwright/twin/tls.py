"""Certificates of the twins' host: a CA that is kept in the cache, a certificate for each run.

The client twin's disk holds the CA, so a new one each time would mean a new disk.
"""

from __future__ import annotations

import fcntl
from pathlib import Path

from seatwright.rehearsal.errors import need_programs, run

CA_DAYS = 3650


def ensure_ca(place: Path) -> Path:
    """The directory with ``ca-cert.pem`` and ``ca-key.pem``, made where it is not there yet."""
    need_programs({"openssl": "openssl"})
    place.mkdir(parents=True, exist_ok=True, mode=0o700)
    with (place / ".lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not (place / "ca-cert.pem").exists():
            words = _request("/O=Seat twin/CN=CA of the twins", place / "ca-key.pem")
            unfinished = place / "ca-cert.unfinished"
            run([*words, "-x509", "-days", str(CA_DAYS), "-out", str(unfinished)])
            unfinished.rename(place / "ca-cert.pem")
    return place


def make_certificate(ca: Path, target: Path, address: str, *, days: int = 2) -> None:
    """What QEMU's ``x509-dir`` wants, for a host at ``address`` (a name or an IP address).

    With a negative number of ``days`` the certificate has been out of date for that long.
    """
    target.mkdir(exist_ok=True)
    kind = "IP" if address.replace(".", "").isdecimal() or ":" in address else "DNS"
    names = target / "names"
    names.write_text(f"subjectAltName={kind}:{address}\n")
    request = target / "request.pem"
    subject = "/O=Seat twin/CN=host of the twins"
    run([*_request(subject, target / "server-key.pem"), "-out", str(request)])
    sign = ["openssl", "x509", "-req", "-in", str(request), "-days", str(days)]
    sign += ["-CA", str(ca / "ca-cert.pem"), "-CAkey", str(ca / "ca-key.pem"), "-CAcreateserial"]
    sign += ["-CAserial", str(target / "serial"), "-extfile", str(names)]
    run([*sign, "-out", str(target / "server-cert.pem")])
    (target / "ca-cert.pem").write_bytes((ca / "ca-cert.pem").read_bytes())


def _request(subject: str, key: Path) -> list[str]:
    words = ["openssl", "req", "-newkey", "rsa:2048", "-nodes", "-subj", subject]
    return [*words, "-keyout", str(key)]
