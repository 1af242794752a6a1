"""Where a site's secrets are kept, beside its ``site.yml``, and how they are read and written.

* ``kept.yml`` (vault): everything, keys of the authorities included; the others follow from it
* ``inventory/``: an inventory for ``ansible-playbook -i``: what each seat and host is told, vault
  files but for the authorities' certificates, which everybody may read
* ``certificates/``: the certificates alone, so that a check sees without a password when they end

A seat's file has the password of its own guest and no other.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import yaml

from seatwright.plan import Plan
from seatwright.render.roles import HOST_ROLES
from seatwright.secrets.certificates import Signed
from seatwright.secrets.state import Password, Secrets
from seatwright.secrets.vault import Vault
from seatwright.whole import write_whole

KEPT = "kept.yml"
UNFINISHED = ".unfinished"
CERTIFICATES = "certificates"
HOSTS = "---\n# Who there is stands in rendered/; here is what each is told in secret.\nall: {}\n"


@dataclass(frozen=True, slots=True)
class Entry:
    """A file's value, and whether it is for everybody to read (``text``) or goes into the vault."""

    value: object
    open: bool = False

    def __repr__(self) -> str:
        return "Entry(…)"


def certificate_file(host: str | None) -> str:
    """Below ``secrets/``: the certificate of a host, or with None those of the authorities."""
    return f"{CERTIFICATES}/{'authority' if host is None else f'host-{host}'}.pem"


def load(folder: Path, vault: Vault) -> Secrets:
    """What is kept in a site's ``secrets/``; nothing, where there is none. Raises VaultError."""
    path = folder / KEPT
    if not path.exists():
        return Secrets()
    value: Any = vault.open(path)
    return Secrets(
        tuple(Signed(**one) for one in value["authorities"]),
        {name: Signed(**one) for name, one in value["hosts"].items()},
        {name: Password(**one) for name, one in value["passwords"].items()},
    )


def save(folder: Path, before: Secrets, after: Secrets, plan: Plan, vault: Vault) -> list[str]:
    """Write what is new; returns the files, by path below ``folder``. Raises OSError.

    ``kept.yml`` comes last, and a mark is there meanwhile: where a run is interrupted, the next one
    writes everything as ``kept.yml`` has it then.
    """
    mark = folder / UNFINISHED
    old, new = {} if mark.exists() else entries(before, plan), entries(after, plan)
    written = [path for path in new if old.get(path) != new[path] or not (folder / path).exists()]
    stale = list(_stale(folder, new))
    is_new = before != after or not (folder / KEPT).exists()
    if not (written or stale or is_new):
        return []
    _write(mark, b"")
    for path in written:
        entry = new[path]
        _write(folder / path, str(entry.value).encode() if entry.open else vault.close(entry.value))
    for one in stale:
        one.unlink()
    if is_new:
        _write(folder / KEPT, vault.close(asdict(after)))
    mark.unlink()
    gone = [one.relative_to(folder).as_posix() for one in stale]
    return written + gone + ([KEPT] if is_new else [])


def _write(path: Path, content: bytes) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    write_whole(path, content, 0o600)


def _stale(folder: Path, new: Mapping[str, Entry]) -> Iterator[Path]:
    """Files of seats and hosts that are gone."""
    for pattern in ("inventory/host_vars/*.yml", f"{CERTIFICATES}/*.pem"):
        for path in sorted(folder.glob(pattern)):
            if path.relative_to(folder).as_posix() not in new:
                yield path


def entries(secrets: Secrets, plan: Plan) -> dict[str, Entry]:
    """Every file but ``kept.yml``, by path below ``secrets/``."""
    if not secrets.authorities:
        return {}
    told = {"inventory/hosts.yml": Entry(HOSTS, True)}
    trusted = yaml.safe_dump({"seat_session_ca": secrets.trusted})
    told["inventory/group_vars/clients.yml"] = Entry(f"---\n{trusted}", True)
    told[certificate_file(None)] = Entry(secrets.trusted, True)
    for name, one in secrets.hosts.items():
        told[certificate_file(name)] = Entry(one.certificate, True)
        told[f"inventory/host_vars/{name}.yml"] = Entry(_host(secrets, plan, name, one))
    for seat in plan.seats.values():
        if seat.guest in secrets.passwords:
            value = {"seat_session_password": secrets.passwords[seat.guest].password}
            told[f"inventory/host_vars/{seat.name}.yml"] = Entry(value)
    return told


def _host(secrets: Secrets, plan: Plan, name: str, one: Signed) -> dict[str, object]:
    """Named for the role that hosts of its kind have."""
    host = plan.hosts.get(name)
    guests = host.guests if host else ()
    role = HOST_ROLES[host.kind] if host else ""
    return {
        f"{role}_authority": secrets.trusted,
        f"{role}_certificate": one.certificate,
        f"{role}_certificate_key": one.key,
        f"{role}_passwords": {
            guest: {key: value for key, value in asdict(secrets.passwords[guest]).items() if value}
            for guest in guests
            if guest in secrets.passwords
        },
    }
