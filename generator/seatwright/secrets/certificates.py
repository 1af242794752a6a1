"""A site's own certificate authority, and the certificates of its hosts.

X.509 as RFC 5280 has it, made by the ``cryptography`` library. Names of hosts are in the
subjectAltName, which is where a client of SPICE looks for them.
"""

from __future__ import annotations

import ipaddress
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from secrets import token_hex

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

AUTHORITY_DAYS = 3650
HOST_DAYS = 730
"""Long enough that nobody renews in a hurry: expiry is a finding well before."""

SLACK = timedelta(hours=1)
"""Valid from a little before: clocks of seats differ."""


@dataclass(frozen=True, slots=True)
class Signed:
    """A certificate and its private key, both PEM."""

    certificate: str
    key: str

    def __repr__(self) -> str:
        return "Signed(…)"  # so that no message or log ever holds the key


def new_authority(site: str, now: datetime, days: int = AUTHORITY_DAYS) -> Signed:
    """A certificate authority of the site's own; ``now`` with its time zone."""
    key = ec.generate_private_key(ec.SECP256R1())
    # No two have one name, or a client could take the old one's word for the new one's.
    name = _name(site, f"authority {token_hex(4)}")
    usage = x509.KeyUsage(
        key_cert_sign=True,
        crl_sign=True,
        digital_signature=False,
        content_commitment=False,
        key_encipherment=False,
        data_encipherment=False,
        key_agreement=False,
        encipher_only=False,
        decipher_only=False,
    )
    builder = (
        _builder(name, name, key, now, days)
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .add_extension(usage, critical=True)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), False)
    )
    return _signed(builder.sign(key, hashes.SHA256()), key)


def new_certificate(
    authority: Signed, site: str, host: str, names: Sequence[str], now: datetime, days: int
) -> Signed:
    """A host's certificate for these names and addresses, never valid past its authority's."""
    parent = x509.load_pem_x509_certificate(authority.certificate.encode())
    parent_key = serialization.load_pem_private_key(authority.key.encode(), None)
    if not isinstance(parent_key, ec.EllipticCurvePrivateKey):
        raise ValueError("the authority's key is not one that was made here")
    key = ec.generate_private_key(ec.SECP256R1())
    left = (parent.not_valid_after_utc - now).days
    builder = (
        _builder(_name(site, host), parent.subject, key, now, min(days, left))
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(x509.SubjectAlternativeName([_general(one) for one in names]), False)
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), False)
        .add_extension(
            x509.AuthorityKeyIdentifier.from_issuer_public_key(parent_key.public_key()), False
        )
    )
    return _signed(builder.sign(parent_key, hashes.SHA256()), key)


def _name(site: str, common: str) -> x509.Name:
    """Attributes of at most 64 characters, which is what X.509 allows them (RFC 5280, ub-name)."""
    return x509.Name(
        [
            x509.NameAttribute(NameOID.ORGANIZATION_NAME, site[:64]),
            x509.NameAttribute(NameOID.COMMON_NAME, common[:64]),
        ]
    )


def _builder(
    subject: x509.Name,
    issuer: x509.Name,
    key: ec.EllipticCurvePrivateKey,
    now: datetime,
    days: int,
) -> x509.CertificateBuilder:
    return (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(issuer)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - SLACK)
        .not_valid_after(now + timedelta(days=days))
    )


def _general(name: str) -> x509.GeneralName:
    try:
        return x509.IPAddress(ipaddress.ip_address(name))
    except ValueError:
        return x509.DNSName(name)


def _signed(certificate: x509.Certificate, key: ec.EllipticCurvePrivateKey) -> Signed:
    private = key.private_bytes(
        serialization.Encoding.PEM,
        serialization.PrivateFormat.PKCS8,
        serialization.NoEncryption(),
    )
    public = certificate.public_bytes(serialization.Encoding.PEM)
    return Signed(public.decode(), private.decode())


@dataclass(frozen=True, slots=True)
class Validity:
    """What a certificate says for everybody: until when, for which names, by whose word."""

    until: datetime
    names: frozenset[str]
    subject: str
    issuer: str


def read_certificates(pem: str) -> tuple[Validity, ...]:
    """Every certificate of a PEM text, in its order. ValueError where it is none."""
    return tuple(
        Validity(
            one.not_valid_after_utc,
            frozenset(_names(one)),
            one.subject.rfc4514_string(),
            one.issuer.rfc4514_string(),
        )
        for one in x509.load_pem_x509_certificates(pem.encode())
    )


def _names(certificate: x509.Certificate) -> list[str]:
    try:
        found = certificate.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    except x509.ExtensionNotFound:
        return []
    addresses = [str(one) for one in found.get_values_for_type(x509.IPAddress)]
    return [*found.get_values_for_type(x509.DNSName), *addresses]
