"""A site's secrets as values, and what a run makes of them; nothing here reads or writes files."""

from __future__ import annotations

import secrets
import string
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta

from seatwright.capacity.host_kinds import abilities
from seatwright.findings.words import listed
from seatwright.plan import Plan, PlannedHost
from seatwright.secrets.certificates import (
    HOST_DAYS,
    Signed,
    new_authority,
    new_certificate,
    read_certificates,
)

SOON_DAYS = 14
"""A password that has fewer days left is named in every run."""

RENEW_DAYS = 60
"""A certificate that has so many days left, or fewer, is renewed, and is a finding before that."""

PASSWORD_LENGTH = 24
SIGNS = "".join(sign for sign in string.ascii_letters + string.digits if sign not in "0O1lI")
"""Nothing that a shell, YAML or a template could take for more than it is."""


@dataclass(frozen=True, slots=True)
class Password:
    """A guest's password; ``valid_until`` in UTC YYYY-MM-DDTHH:MM:SS, None: for good."""

    password: str
    valid_until: str | None = None

    def __repr__(self) -> str:
        return "Password(…)"


@dataclass(frozen=True, slots=True)
class Secrets:
    """``authorities`` newest first: seats trust all of them, one signs what is signed anew."""

    authorities: tuple[Signed, ...] = ()
    hosts: Mapping[str, Signed] = field(default_factory=dict)
    passwords: Mapping[str, Password] = field(default_factory=dict)

    @property
    def trusted(self) -> str:
        """The certificates that seats trust, one after the other."""
        return "".join(one.certificate for one in self.authorities)


@dataclass(frozen=True, slots=True)
class Wishes:
    """What a run was asked for beyond making what is missing."""

    rotate: bool = False
    renew: bool = False
    retire: bool = False
    new_passwords: frozenset[str] = frozenset()
    valid_days: int | None = None


@dataclass(frozen=True, slots=True)
class Made:
    """The secrets after a run, and what it did, a sentence each."""

    secrets: Secrets
    said: tuple[str, ...]


class NotYet(Exception):
    """Something that would lock seats out now: why, and what comes first."""

    def __init__(self, message: str, hint: str) -> None:
        super().__init__(message)
        self.message, self.hint = message, hint


def make(before: Secrets, plan: Plan, wishes: Wishes, now: datetime) -> Made:
    """What the plan needs and ``before`` does not have, and what was wished. Raises NotYet."""
    authorities, about_authorities = _authorities(before, plan, wishes, now)
    hosts, about_hosts = _hosts(before, authorities, plan, wishes, now)
    if wishes.retire:
        authorities, about_retired = _retired(authorities, hosts)
        about_authorities += about_retired
    passwords, about_passwords = _passwords(before, plan, wishes, now)
    said = (*about_authorities, *about_hosts, *about_passwords)
    return Made(Secrets(authorities, hosts, passwords), said)


def _authorities(
    before: Secrets, plan: Plan, wishes: Wishes, now: datetime
) -> tuple[tuple[Signed, ...], list[str]]:
    if not before.authorities:
        return (new_authority(plan.site, now),), ["made a certificate authority"]
    if not wishes.rotate:
        return before.authorities, []
    if len(before.authorities) > 1:
        raise NotYet(
            "There is already a new authority beside the old one.",
            "Finish that rotation first: --renew, then --retire.",
        )
    said = "made a new authority beside the old one; after clients.yml seats trust both"
    return (new_authority(plan.site, now), *before.authorities), [said]


def _hosts(
    before: Secrets,
    authorities: tuple[Signed, ...],
    plan: Plan,
    wishes: Wishes,
    now: datetime,
) -> tuple[dict[str, Signed], list[str]]:
    """Who has a good certificate keeps it; others get one from whom all seats trust by now.

    That is the newest authority when renewing is asked for, and before that the oldest.
    """
    had = dict(before.hosts)
    signer = authorities[0] if wishes.renew else authorities[-1]
    hosts, made = {}, []
    for host in plan.hosts.values():
        kept = had.get(host.name)
        if kept is None or wishes.renew or not _good(kept, host, now):
            kept = new_certificate(signer, plan.site, host.name, names_of(host), now, HOST_DAYS)
            made.append(host.name)
        hosts[host.name] = kept
    gone = [name for name in had if name not in hosts]
    said = [f"made the certificate of {name}" for name in made]
    return hosts, said + [f"forgot the certificate of {name}" for name in gone]


def names_of(host: PlannedHost) -> tuple[str, ...]:
    """What seats may call it: its address, and its name."""
    return tuple(dict.fromkeys((host.address, host.name)))


def _good(one: Signed, host: PlannedHost, now: datetime) -> bool:
    (validity,) = read_certificates(one.certificate)
    lasts = validity.until > now + timedelta(days=RENEW_DAYS)
    return lasts and validity.names >= set(names_of(host))


def _retired(
    authorities: tuple[Signed, ...], hosts: Mapping[str, Signed]
) -> tuple[tuple[Signed, ...], list[str]]:
    (newest,) = read_certificates(authorities[0].certificate)
    if len(authorities) == 1:
        raise NotYet("There is no old authority to retire.", "--rotate makes a new one beside it.")
    late = sorted(
        name
        for name, one in hosts.items()
        if read_certificates(one.certificate)[0].issuer != newest.subject
    )
    if late:
        raise NotYet(
            f"The old authority signed the certificates that {', '.join(late)} still have.",
            "First clients.yml, so that seats trust both; then --renew and guests.yml; then let "
            "each guest be shut down and started: a running one shows its old certificate.",
        )
    said = (
        "retired the old authority: seats stop trusting it with clients.yml. Run that only when "
        "guests.yml names no guest that runs with an earlier certificate: its seat would refuse it"
    )
    return authorities[:1], [said]


def _passwords(
    before: Secrets, plan: Plan, wishes: Wishes, now: datetime
) -> tuple[dict[str, Password], list[str]]:
    had = dict(before.passwords)
    takers = [one.name for one in plan.guests.values() if takes_password(plan.hosts[one.host])]
    new = {name for name in takers if name not in had or name in wishes.new_passwords}
    until = None
    if wishes.valid_days is not None:
        until = f"{now + timedelta(days=wishes.valid_days):%Y-%m-%dT%H:%M:%S}"
    kept = {name: Password(new_password(), until) if name in new else had[name] for name in takers}
    if until:
        kept = {name: replace(one, valid_until=until) for name, one in kept.items()}
    gone = [name for name in had if name not in kept]
    said = [f"made the password of {name}" for name in takers if name in new]
    if until:
        said.append(f"every password ends at {until} UTC")
    else:
        endless = sorted(name for name in new & had.keys() if had[name].valid_until)
        if endless:
            said.append(f"without an end: {listed(endless, 'and')} (--valid-days gives all one)")
        said += _ending(kept, now)
    return kept, said + [f"forgot the password of {name}" for name in gone]


def _ending(passwords: Mapping[str, Password], now: datetime) -> Iterator[str]:
    """What has ended, or soon does: from then on a guest refuses its seat."""
    by_end: dict[str, list[str]] = {}
    for name, one in passwords.items():
        if one.valid_until:
            by_end.setdefault(one.valid_until, []).append(name)
    for end, names in sorted(by_end.items()):
        left = datetime.fromisoformat(end).replace(tzinfo=UTC) - now
        if left < timedelta(days=SOON_DAYS):
            when = "ended" if left <= timedelta(0) else f"ends in {left.days} days"
            yield (
                f"{when}: the password of {listed(names, 'and')} ({end} UTC); a new one: "
                "--password or --every-password, with --valid-days"
            )


def takes_password(host: PlannedHost) -> bool:
    """Whether its guests have passwords; with tickets alone none is kept anywhere."""
    return "passwords" in abilities(host)


def new_password() -> str:
    """Nobody types it: 24 signs of 57, about 140 bits."""
    return "".join(secrets.choice(SIGNS) for _ in range(PASSWORD_LENGTH))
