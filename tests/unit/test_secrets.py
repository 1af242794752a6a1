"""``seatwright secrets``: made once, renewed and rotated without locking anybody out.

Outside references: Ansible's own vault and inventory read what is written; openssl judges chains.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
import yaml
from ansible.parsing.vault import VaultLib, VaultSecret

from render_sites import TINY, make_repository, seatwright
from seatwright.commands.planned import plan_site
from seatwright.secrets import store
from seatwright.secrets.certificates import new_authority, new_certificate, read_certificates
from seatwright.secrets.state import SIGNS, Wishes, make
from seatwright.secrets.store import load
from seatwright.secrets.vault import Vault

SITE = TINY.replace("host: quay}\n", "host: loft, seats: [attic-1]}\n").replace(
    "hosts:\n", 'hosts:\n  loft: {address: 192.0.2.20, listen: "::"}\n'
)
PROGRAMS = Path(sys.executable).parent


@pytest.fixture
def site(tmp_path: Path) -> Path:
    (tmp_path / "vault-password").write_text("a password of the test\n")
    return make_repository(tmp_path / "repository", SITE)


def secrets(site: Path, *options: str) -> subprocess.CompletedProcess[str]:
    password = site.parents[3] / "vault-password"
    return seatwright("secrets", site, "--vault-password-file", password, *options)


def folder(site: Path) -> Path:
    return site.parent / "secrets"


def opened(site: Path, name: str) -> Any:
    """A vault file as Ansible's own library opens it."""
    password = (site.parents[3] / "vault-password").read_text().strip()
    library = VaultLib([("default", VaultSecret(password.encode()))])
    return yaml.safe_load(library.decrypt((folder(site) / name).read_bytes()))


def tree(site: Path) -> dict[str, bytes]:
    return {
        path.relative_to(folder(site)).as_posix(): path.read_bytes()
        for path in folder(site).rglob("*")
        if path.is_file()
    }


def verified(site: Path, host: str, tmp_path: Path) -> bool:
    """Whether a client with the trusted certificates takes the host's (openssl verify)."""
    bundle = tmp_path / "bundle.pem"
    told = yaml.safe_load((folder(site) / "inventory/group_vars/clients.yml").read_text())
    bundle.write_text(told["seat_session_ca"])
    command = ["openssl", "verify", "-no-CApath", "-no-CAstore", "-purpose", "sslserver"]
    certificate = folder(site) / f"certificates/host-{host}.pem"
    done = subprocess.run([*command, "-CAfile", bundle, certificate], capture_output=True)
    return done.returncode == 0


def test_everything_is_made_once(site: Path, tmp_path: Path) -> None:
    first = secrets(site)
    assert first.returncode == 0, first.stderr
    assert first.stdout.splitlines() == [
        "made a certificate authority",
        "made the certificate of loft",
        "made the certificate of quay",
        *(f"made the password of {name}" for name in ("hall-1", "hall-2", "hall-3", "desk-1")),
        "made the password of attic-1",
    ]
    for host, names in (("quay", {"quay.example", "quay"}), ("loft", {"192.0.2.20", "loft"})):
        (one,) = read_certificates((folder(site) / f"certificates/host-{host}.pem").read_text())
        assert one.names == names and verified(site, host, tmp_path)
    before = tree(site)
    second = secrets(site)
    assert (second.returncode, second.stdout) == (0, "") and "Nothing to change." in second.stderr
    assert tree(site) == before
    for path in folder(site).rglob("*.*"):
        assert path.stat().st_mode & 0o077 == 0, path


def test_a_seat_is_told_its_own_guest_s_password_and_no_other(site: Path) -> None:
    secrets(site)
    quay = opened(site, "inventory/host_vars/quay.yml")
    loft = opened(site, "inventory/host_vars/loft.yml")
    assert list(quay["guest_ports_passwords"]) == ["hall-1", "hall-2", "hall-3", "desk-1"]
    assert list(loft["guest_ports_passwords"]) == ["attic-1"]
    passwords = {
        name: one["password"]
        for host in (quay, loft)
        for name, one in host["guest_ports_passwords"].items()
    }
    assert len(set(passwords.values())) == 5
    for name, password in passwords.items():
        assert len(password) == 24 and set(password) <= set(SIGNS)
        told = opened(site, f"inventory/host_vars/{name}.yml")
        assert told == {"seat_session_password": password}
    assert "PRIVATE KEY" in quay["guest_ports_certificate_key"]
    everything = b"".join(tree(site).values())
    assert b"PRIVATE KEY" not in everything
    assert not any(password.encode() in everything for password in passwords.values())


def test_ansible_takes_the_folder_as_an_inventory(site: Path) -> None:
    secrets(site)
    assert seatwright("render", site).returncode == 0
    command = [PROGRAMS / "ansible-inventory", "-i", site.parent / "rendered/hosts.yml"]
    command += ["-i", folder(site) / "inventory", "--host", "hall-1"]
    done = subprocess.run(
        command,
        env={**os.environ, "ANSIBLE_VAULT_PASSWORD_FILE": str(site.parents[3] / "vault-password")},
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0 and "WARNING" not in done.stderr, done.stderr
    told = yaml.safe_load(done.stdout)
    assert told["seat_session_password"] == next(
        iter(opened(site, "inventory/host_vars/hall-1.yml").values())
    )
    assert told["seat_session_ca"].startswith("-----BEGIN CERTIFICATE-----")
    assert told["seat_session_guest"] == "hall-1" and "guest_ports_passwords" not in told


def test_a_rotation_locks_nobody_out_at_any_step(site: Path, tmp_path: Path) -> None:
    secrets(site)
    old = tree(site)["certificates/authority.pem"].decode()
    refused = secrets(site, "--retire")
    assert refused.returncode == 2 and "no old authority" in refused.stderr
    assert secrets(site, "--rotate").returncode == 0
    both = tree(site)["certificates/authority.pem"].decode()
    assert both.count("BEGIN") == 2 and both.endswith(old)
    assert verified(site, "quay", tmp_path)  # hosts still show what the old one signed
    assert secrets(site, "--rotate").returncode == 2
    refused = secrets(site, "--retire")
    assert refused.returncode == 2 and "that loft, quay still have" in refused.stderr
    assert secrets(site, "--renew").returncode == 0 and verified(site, "quay", tmp_path)
    assert opened(site, "inventory/host_vars/quay.yml")["guest_ports_authority"] == both
    assert secrets(site, "--retire").returncode == 0 and verified(site, "loft", tmp_path)
    assert tree(site)["certificates/authority.pem"].decode() + old == both
    assert secrets(site, "--rotate", "--retire").returncode == 2


def test_one_password_anew_shuts_a_stolen_card_out(site: Path) -> None:
    secrets(site)
    before, kept = tree(site), opened(site, "inventory/host_vars/quay.yml")
    done = secrets(site, "--password", "hall-2")
    assert done.stdout == "made the password of hall-2\n"
    changed = {path for path, content in tree(site).items() if before[path] != content}
    assert changed == {
        "kept.yml",
        "inventory/host_vars/quay.yml",
        "inventory/host_vars/hall-2.yml",
    }
    after = opened(site, "inventory/host_vars/quay.yml")
    assert after.pop("guest_ports_passwords") != kept.pop("guest_ports_passwords")
    assert after == kept
    missing = secrets(site, "--password", "hall-9")
    assert missing.returncode == 2 and 'Did you mean "hall-' in missing.stderr


def test_passwords_that_end(site: Path) -> None:
    secrets(site, "--valid-days", "30")
    told = opened(site, "inventory/host_vars/loft.yml")["guest_ports_passwords"]["attic-1"]
    until = datetime.fromisoformat(told["valid_until"]).replace(tzinfo=UTC)
    assert timedelta(days=29) < until - datetime.now(UTC) < timedelta(days=31)


def test_passwords_that_end_soon_are_named(site: Path) -> None:
    secrets(site, "--valid-days", "10")
    plain = secrets(site)
    (line,) = plain.stdout.splitlines()
    assert re.fullmatch(
        r"ends in 9 days: the password of hall-1, .*attic-1 \(2.* UTC\); a new one: .*", line
    )
    assert "Nothing to change." in plain.stderr
    one = secrets(site, "--password", "hall-2").stdout.splitlines()
    assert one[:2] == [
        "made the password of hall-2",
        "without an end: hall-2 (--valid-days gives all one)",
    ]
    vault = Vault(site.parents[3] / "vault-password")
    plan = plan_site(site).planned.plan
    later = datetime.now(UTC) + timedelta(days=11)
    (line,) = make(load(folder(site), vault), plan, Wishes(), later).said
    assert line.startswith("ended: the password of hall-1, hall-3")
    assert secrets(site, "--valid-days", "30").stdout.startswith("every password ends at")
    assert secrets(site).stdout == ""


def test_what_left_the_site_is_forgotten_and_what_came_is_made(site: Path) -> None:
    secrets(site)
    site.write_text(site.read_text().replace("hall-1 to hall-3", "hall-2 to hall-4"))
    done = secrets(site)
    assert done.stdout.splitlines() == [
        "made the password of hall-4",
        "forgot the password of hall-1",
    ]
    assert "inventory/host_vars/hall-1.yml" not in tree(site)
    site.write_text(site.read_text().replace("quay.example", "pier.example"))
    assert secrets(site).stdout == "made the certificate of quay\n"


def test_an_interrupted_run_is_finished_by_the_next(site: Path) -> None:
    secrets(site)
    whole = set(tree(site))
    (folder(site) / "kept.yml").unlink()
    (folder(site) / "inventory/host_vars/hall-1.yml").unlink()
    assert secrets(site).returncode == 0 and set(tree(site)) == whole
    host = opened(site, "inventory/host_vars/quay.yml")["guest_ports_passwords"]
    for name, one in host.items():
        told = opened(site, f"inventory/host_vars/{name}.yml")
        assert told["seat_session_password"] == one["password"]


def test_wherever_a_run_is_interrupted_the_next_one_heals_it(
    site: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A password that is known to the host and not to the seat would lock it out."""
    secrets(site)
    vault = Vault(site.parents[3] / "vault-password")
    plan = plan_site(site).planned.plan
    place, real = folder(site), store._write
    for number in range(6):
        before = load(place, vault)
        wishes = Wishes(new_passwords=frozenset({"hall-2"}))
        after = make(before, plan, wishes, datetime.now(UTC)).secrets
        calls = iter(range(number + 1))

        def write(path: Path, content: bytes, calls: Iterator[int] = calls) -> None:
            if next(calls, None) is None:
                raise OSError(28, "No space left on device")
            real(path, content)

        with monkeypatch.context() as patched:
            patched.setattr(store, "_write", write)
            try:
                store.save(place, before, after, plan, vault)
            except OSError:
                assert number < 3, "as many files as there are"
        assert secrets(site).returncode == 0
        host = opened(site, "inventory/host_vars/quay.yml")["guest_ports_passwords"]["hall-2"]
        seat = opened(site, "inventory/host_vars/hall-2.yml")["seat_session_password"]
        assert host["password"] == seat == load(place, vault).passwords["hall-2"].password
        assert "Nothing to change." in secrets(site).stderr
        assert not (place / ".unfinished").exists()


def test_without_the_vault_s_password_nothing_is_touched(site: Path, tmp_path: Path) -> None:
    secrets(site)
    before = tree(site)
    wrong = tmp_path / "wrong"
    wrong.write_text("another\n")
    done = seatwright("secrets", site, "--vault-password-file", wrong)
    assert done.returncode == 2 and "cannot be opened with this password" in done.stderr
    done = seatwright("secrets", site, "--vault-password-file", tmp_path / "none")
    assert done.returncode == 2 and "cannot be had from" in done.stderr
    assert seatwright("secrets", site).returncode == 2
    assert tree(site) == before


def write_certificates(site: Path, days: int, *names: str) -> None:
    """As if they had been made so long ago that so many days are left."""
    begun = datetime.now(UTC) - timedelta(days=700)
    authority = new_authority("Lock House", begun)
    place = folder(site) / "certificates"
    place.mkdir(parents=True)
    (place / "authority.pem").write_text(authority.certificate)
    for host in ("quay", "loft"):
        one = new_certificate(authority, "Lock House", host, names, begun, 700 + days)
        (place / f"host-{host}.pem").write_text(one.certificate)


@pytest.mark.parametrize(
    ("days", "slug", "words"),
    [
        (61, None, ""),
        (60, "certificate-ends", "ends on"),
        (1, "certificate-ends", "in 0 days"),
        (0, "certificate-ended", "ended on"),
    ],
)
def test_the_end_is_a_finding_60_days_before(
    site: Path, days: int, slug: str | None, words: str
) -> None:
    write_certificates(site, days, "quay", "quay.example", "loft", "192.0.2.20")
    done = seatwright("check", site)
    found = [line for line in done.stdout.splitlines() if "certificate of quay" in line]
    if slug is None:
        assert found == [] and "certificate" not in done.stdout
        return
    assert len(found) == 1 and slug in found[0] and words in found[0]
    assert done.returncode == 1 and "site.yml:" in found[0]


def test_a_host_whose_address_changed_is_found(site: Path) -> None:
    write_certificates(site, 300, "loft", "192.0.2.20", "quay", "old.example")
    done = seatwright("check", site)
    assert "The certificate of quay is not for quay.example." in done.stdout
    assert "The certificate of loft" not in done.stdout
    (folder(site) / "certificates/host-loft.pem").unlink()
    assert "loft has no certificate" in seatwright("check", site).stdout
