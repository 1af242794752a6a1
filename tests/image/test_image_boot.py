"""An image in a machine: first boot with the plug pulled, then everything a seat has to be."""

from __future__ import annotations

import base64
import json
import shutil
from pathlib import Path

import pytest
from machine import CARD, Machine
from plugs import STARTED, UP, comes_up, pull_at_random_moments

from conftest import ROOT, SETTINGS
from seatwright.ansible_runs import Outcome, extra, run_ansible
from seatwright.image.build import Order
from seatwright.image.compare import Difference, compare, inside
from seatwright.image.enrol import Way, enrol, offered_key, token_file
from seatwright.image.errors import ImageError
from seatwright.image.filesystem import MIB


def test_a_first_boot_whose_plug_is_pulled_twice_ends_as_the_seat(
    machine: Machine, workshop: Path, order: Order, monkeypatch: pytest.MonkeyPatch
) -> None:
    pull_at_random_moments(machine, 2)
    comes_up(machine)
    it_is_the_seat_with_all_of_its_card(machine)
    nothing_of_it_is_the_images(machine)
    it_is_enrolled_by_its_token_and_by_nothing_else(machine, workshop, monkeypatch)
    verified(machine, workshop)
    clients_yml_changes_nothing(machine, workshop, strict=True)  # as it was enrolled
    it_differs_from_its_image_by_what_was_changed_by_hand(machine, order)


def it_is_the_seat_with_all_of_its_card(machine: Machine) -> None:
    assert machine.ask("hostname") == "fd-1"
    told = json.loads(machine.ask("cat /etc/seatwright/session.json"))
    assert (told["seat"], told["guest"]) == ("fd-1", "front-desk")
    size = int(machine.ask("df --output=size -B1 / | tail -n 1"))
    assert size > 0.85 * (CARD - 193 * MIB)
    assert machine.ask("systemctl --failed --no-legend --plain") == ""
    assert machine.ask("systemctl is-enabled seatwright-session.service") == "enabled"
    assert machine.ask("cat /var/lib/seatwright-image/seat") == "fd-1"


def nothing_of_it_is_the_images(machine: Machine) -> None:
    """Host keys, machine-id and random seed are its own; the token is gone from the card."""
    assert len(machine.ask("cat /etc/machine-id")) == 32
    assert machine.ask("test -s /etc/ssh/ssh_host_ed25519_key && echo own") == "own"
    assert json.loads(machine.ask("cat /boot/efi/seatwright-seat.json")) == {"seat": "fd-1"}
    assert machine.ask("ls -A /etc/credstore 2>/dev/null || true") == ""


def it_is_enrolled_by_its_token_and_by_nothing_else(
    machine: Machine, workshop: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    known = workshop / "inventories/fennmoor/known_hosts"
    monkeypatch.setenv("XDG_STATE_HOME", str(machine.scratch / "state"))
    way = Way("127.0.0.1", "ops", ("-i", str(machine.key)), machine.port)
    assert enrol("fd-1", way, known, None) is None  # nobody vouches for it
    kept = token_file("fd-1")
    kept.parent.mkdir(parents=True)
    kept.write_text("another\n")
    with pytest.raises(ImageError, match="does not prove that it is fd-1"):
        enrol("fd-1", way, known, None)
    with pytest.raises(ImageError, match="the seat's is another"):
        enrol("fd-1", way, known, "SHA256:" + "A" * 43)
    assert not known.exists()
    kept.write_text("sesame\n")
    key = enrol("fd-1", way, known, None)
    assert key is not None
    assert known.read_text() == f"fd-1,[127.0.0.1]:{machine.port} {key.line}\n"
    assert not kept.exists()
    own = machine.ask("ssh-keygen -lf /etc/ssh/ssh_host_ed25519_key.pub").split()[1]
    assert own == key.fingerprint == offered_key(way, machine.scratch).fingerprint


def clients_yml_changes_nothing(
    machine: Machine, workshop: Path, seat: str = "fd-1", strict: bool = False
) -> None:
    """The playbook finds a seat that has nothing left to change: image and roles are the same."""
    done = clients(machine, workshop, seat=seat, strict=strict)
    done.expect_success()
    assert done.recap[seat].changed == 0, done.text


def it_differs_from_its_image_by_what_was_changed_by_hand(machine: Machine, order: Order) -> None:
    assert compared(machine, order) == []
    machine.ask("echo >>/etc/seatwright/rules.json")
    (found,) = compared(machine, order)
    assert (found.kind, found.name) == ("file", "/etc/seatwright/rules.json")


def compared(machine: Machine, order: Order) -> list[Difference]:
    way = Way("127.0.0.1", "ops", ("-F", "none", "-i", str(machine.key)), machine.port)
    return compare(inside(order.target, "fd-1"), way, order.site / "known_hosts")


def verified(machine: Machine, workshop: Path, seat: str = "fd-1") -> None:
    """The verify tasks of the seats' molecule scenario, on the machine."""
    tasks = ROOT / "tests/molecule/room/verify.yml"
    playbook(tasks, machine, workshop, seat=seat).expect_success()


def clients(
    machine: Machine, workshop: Path, *words: str, seat: str = "fd-1", strict: bool = False
) -> Outcome:
    """Run clients.yml for the seat over ssh."""
    place = workshop / "inventories/fennmoor/rendered/playbooks/clients.yml"
    return playbook(place, machine, workshop, *words, seat=seat, strict=strict)


def playbook(
    name: Path, machine: Machine, workshop: Path, *words: str, seat: str, strict: bool = False
) -> Outcome:
    """Run a playbook for the seat over ssh; where ``strict``, as the inventory has it: it comes in
    where the seat's key is in the site's known_hosts."""
    way = {
        "ansible_host": "127.0.0.1",
        "ansible_port": machine.port,
        "ansible_ssh_private_key_file": str(machine.key),
    }
    if not strict:
        way["ansible_ssh_common_args"] = (
            f"-F none -o StrictHostKeyChecking=no -o UserKnownHostsFile={machine.scratch}/known"
        )
    argv = ["-i", workshop / "inventories/fennmoor/rendered/hosts.yml", "-l", seat, name]
    given = extra({**SETTINGS, **way})
    patience = {"ANSIBLE_TIMEOUT": "120"}  # it is emulated
    return run_ansible("ansible-playbook", *argv, *given, *words, cwd=workshop, env=patience)


@pytest.mark.long
def test_a_seat_that_nobody_knows_waits_and_shows_what_it_is(
    image: Path, workshop: Path, tmp_path: Path
) -> None:
    """Nothing says which it is: it says its address, and takes a name over ssh."""
    disk = tmp_path / "card"
    shutil.copy(image, disk)
    machine = Machine(disk, tmp_path, workshop / "key")
    try:
        machine.start()
        state = "systemctl show -P SubState seatwright-identity.service"
        machine.becomes(state, "start", STARTED)
        machine.becomes('grep -c "Host key: SHA256" /dev/vcs1', "1", 120)
        its_address_is_on_the_screen_large(machine)
        assert machine.run(UP).stdout.strip() != "active"
        assert "this image has no seat rr-01" in machine.run(TELL + "rr-01").stderr
        machine.ask(TELL + "fd-2")
        machine.becomes(UP, "active", STARTED)
        assert machine.ask("hostname") == "fd-2"
    finally:
        machine.pull_the_plug()
        disk.unlink()


def its_address_is_on_the_screen_large(machine: Machine) -> None:
    """Row by row as figlet draws it, whole, and with everything else in sight."""
    rows, columns = map(int, machine.ask("stty -F /dev/tty1 size").split())
    text = base64.b64decode(machine.ask("base64 -w0 /dev/vcs1")).decode("latin-1")
    shown = [text[at : at + columns].rstrip() for at in range(0, rows * columns, columns)]
    assert "does not know yet which it is" in shown[0]
    found = machine.ask("ssh-keygen -lf /etc/ssh/ssh_host_ed25519_key.pub").split()[1]
    assert f"Host key: {found}" in shown and "In the network as 10.0.2.15" in "".join(shown)
    for part in ("52:54:00:", "ab:cd:ef"):
        lines = machine.ask(f"figlet -w 9999 -f banner {part}").splitlines()
        assert all(line.rstrip() in shown for line in lines), (columns, rows, shown)
    picture = machine.scratch / "screen.png"
    machine.picture(picture)
    assert picture.read_bytes().startswith(b"\x89PNG")


TELL = "/usr/lib/seatwright-image/seat-identity tell "
