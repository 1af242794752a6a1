"""Who may open a guest's display: tried with the client library, on guests that libvirt runs."""

from __future__ import annotations

import subprocess
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from seatwright.secrets.certificates import new_authority
from support.guest_module import PYTHON, bring, planned
from support.libvirtd import Daemon
from support.real_guests import define, free_ports
from support.tls import HOST, SITE

CLIENT = Path(__file__).with_name("client.py")
PASSWORD = "Xk4-planted-7Qm"
OPENED = "opened"
SUBJECT = f"O={SITE},CN={HOST}"


def connect(
    port: int,
    ca_file: Path,
    *,
    transport: str = "tls",
    host: str = "127.0.0.1",
    subject: str = "",
    password: str = PASSWORD,
) -> str:
    """What the library says of one try."""
    command = [PYTHON, CLIENT, str(port), transport, ca_file, host, subject]
    done = subprocess.run(command, input=password, capture_output=True, text=True, timeout=60)
    assert done.returncode == 0, done.stderr
    return done.stdout.strip()


@pytest.fixture(scope="module")
def display(hypervisor: Daemon) -> int:
    """The TLS port of a running guest that has the password."""
    define(hypervisor, "shown")
    port = free_ports(1)[0]
    told = {"shown": {"password": PASSWORD}}
    assert bring(hypervisor, [planned("shown", port)], passwords=told)["failed_guests"] == {}
    hypervisor.virsh("start", "shown")
    return port


def test_the_right_client_is_let_in(display: int, certificates: Path) -> None:
    ca = certificates / "ca-cert.pem"
    assert connect(display, ca) == OPENED
    assert connect(display, ca, host="localhost", subject=SUBJECT) == OPENED


def test_plaintext_is_refused(display: int, certificates: Path, hypervisor: Daemon) -> None:
    assert connect(display, certificates / "ca-cert.pem", transport="plain") != OPENED
    graphics = hypervisor.virsh("domdisplay", "shown").strip()
    assert graphics == f"spice://127.0.0.1?tls-port={display}"  # and there is no plain port


def test_another_authority_is_refused(display: int, tmp_path: Path) -> None:
    other = tmp_path / "other.pem"
    other.write_text(new_authority(SITE, datetime.now(UTC)).certificate)
    assert connect(display, other) == "error-tls"


def test_while_two_authorities_are_trusted_the_old_one_s_hosts_are(
    display: int, certificates: Path, tmp_path: Path
) -> None:
    """A rotation: seats trust the new authority beside the old one, in this order."""
    both = tmp_path / "both.pem"
    newer = new_authority(SITE, datetime.now(UTC)).certificate
    both.write_text(newer + (certificates / "ca-cert.pem").read_text())
    assert connect(display, both) == OPENED


def test_another_name_or_subject_is_refused(display: int, certificates: Path) -> None:
    ca = certificates / "ca-cert.pem"
    assert connect(display, ca, host="localhost") == "error-tls"
    assert connect(display, ca, subject=f"O={SITE},CN=loft") == "error-tls"
    assert connect(display, ca, subject=f"CN={HOST},O={SITE}") == "error-tls"  # in its order


@pytest.mark.parametrize("password", ["", "wrong", PASSWORD + "x", PASSWORD.lower()])
def test_a_wrong_password_is_refused(display: int, certificates: Path, password: str) -> None:
    said = connect(display, certificates / "ca-cert.pem", password=password)
    assert said == "error-auth"


def test_an_expired_password_is_refused_and_a_new_one_let_in(
    display: int, certificates: Path, hypervisor: Daemon
) -> None:
    ca, guest = certificates / "ca-cert.pem", planned("shown", display)
    assert connect(display, ca) == OPENED
    for days, said in ((-1, "error-auth"), (1, OPENED)):
        until = datetime.now(UTC) + timedelta(days=days)
        one = {"password": PASSWORD, "valid_until": f"{until:%Y-%m-%dT%H:%M:%S}"}
        assert bring(hypervisor, [guest], passwords={"shown": one})["failed_guests"] == {}
        assert connect(display, ca) == said
