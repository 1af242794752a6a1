"""A host that hands out its connections: from a site's line to a picture on the screen.

The host is the worked example of another kind (tests/guests/granary); its guest is a real QEMU.
"""

from __future__ import annotations

import json
import shutil
import subprocess
from pathlib import Path

from ansible.parsing.dataloader import DataLoader
from live import PYTHON, Guest, wait_for

from render_sites import TINY, make_repository, seatwright

GUESTS = Path(__file__).parents[1] / "guests"
TEMPLATE = "guest [[ guest.name ]]\ndisplay [[ guest.listen | shell ]] tls [[ guest.spice_port ]]\n"


def told(root: Path, port: int) -> tuple[list[str], str]:
    """The seat's command and the text of its guest, as a site with such a host renders them."""
    granary = root / "granary"
    shutil.copy(GUESTS / "granary", granary)
    host = (
        f'kind: commands, address: 127.0.0.1, listen: "127.0.0.1", spice-ports: {port}-{port + 9}, '
        f"template: granary.txt, inspect: [{granary}, show], apply: [{granary}, set], "
        f"ticket: [{granary}, ticket], can: [filter, tickets]"
    )
    site = TINY.replace('address: quay.example, listen: "192.0.2.10"', host)
    path = make_repository(root / "repository", site)
    (path.parent / "granary.txt").write_text(TEMPLATE)
    done = seatwright("render", path)
    assert done.returncode == 0, done.stdout + done.stderr
    rendered = path.parent / "rendered"
    read = DataLoader().load_from_file
    seat = _find(read(str(rendered / "hosts.yml")), "hall-1")
    guests = read(str(rendered / "host_vars/quay.yml"))["guest_commands_guests"]
    return seat["seat_session_ticket_command"], guests[0]["text"]


def _find(inventory: dict, name: str) -> dict:
    for key, value in inventory.items():
        if key == name and value:
            return value
        if isinstance(value, dict) and (found := _find(value, name)):
            return found
    return {}


def stored(root: Path, guest: Guest, text: str) -> None:
    """What the role has applied there."""
    folder = root / "store/hall-1"
    folder.mkdir(parents=True)
    (folder / "monitor").symlink_to(guest.directory / "qmp.sock")
    subprocess.run([root / "granary", "set", "hall-1"], input=text, text=True, check=True)


def connect(guest: Guest, password: str) -> str:
    """One try of another client."""
    place = (str(guest.spice_port), "tls", guest.certificates / "ca-cert.pem", "127.0.0.1", "")
    done = subprocess.run(
        [PYTHON, GUESTS / "client.py", *place],
        input=password,
        capture_output=True,
        text=True,
        timeout=60,
    )
    return done.stdout.strip()


def test_a_ticket_opens_the_guest_once_and_no_other_password_does(
    tmp_path: Path, make_guest, make_seat
) -> None:
    guest = make_guest(password="nobody knows this one")
    command, text = told(tmp_path, guest.spice_port)
    assert command == [str(tmp_path / "granary"), "ticket", "hall-1"]
    guest.start()
    stored(tmp_path, guest, text)
    first = json.loads(subprocess.check_output(command))
    assert first["tls_port"] == guest.spice_port
    assert connect(guest, first["password"]) == "opened"
    seat = make_seat(guest, session={"tls_port": 9, "ticket_command": command})
    seat.start()
    seat.is_("shown")
    assert connect(guest, first["password"]) == "error-auth"  # the seat's came after it
    guest.stop()
    seat.is_("waiting")
    guest.start()
    seat.is_("shown")  # with one that it asked for anew
    guest.ask("expire_password", protocol="spice", time="now")
    second = json.loads(subprocess.check_output(command))
    guest.ask("expire_password", protocol="spice", time="now")
    assert connect(guest, second["password"]) == "error-auth"
    seat.is_("shown")  # whoever is connected stays
    said = json.dumps(seat.journal.lines) + (seat.directory / "session.log").read_text()
    assert first["password"] not in said and second["password"] not in said


def test_a_host_without_the_guest_is_told_to_the_operator(
    tmp_path: Path, make_guest, make_seat
) -> None:
    guest = make_guest(password="nobody knows this one")
    command, _ = told(tmp_path, guest.spice_port)
    guest.start()
    seat = make_seat(guest, session={"tls_port": 9, "ticket_command": command})
    seat.start()
    wait_for("the refusal", lambda: seat.state().get("last_error") == "no-ticket")
    assert "it failed" in seat.journal.first("ticket")["MESSAGE"]
    assert "no guest hall-1 in the granary" in (seat.directory / "session.log").read_text()
