"""Kinds of images besides the usual: a root that is not written, a board's own image file. Each
builds an image of its own."""

from __future__ import annotations

import hashlib
import json
import os
import shlex
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

import pytest
from machine import CARD, Machine
from plugs import STARTED, UP, comes_up, identity, moments, pull_at_random_moments
from test_image_boot import clients, clients_yml_changes_nothing, verified

from conftest import ROOT, SETTINGS, own_cache, record_packages
from seatwright.ansible_runs import extra
from seatwright.commands.planned import plan_site
from seatwright.image.blockmap import pieces
from seatwright.image.build import Order, build
from seatwright.image.card import read_image, write_card
from seatwright.image.device import look
from seatwright.image.disk import BOOT_SIZE, Disk, DiskIds, Span, assemble, make_boot
from seatwright.image.filesystem import MIB, FileSystem, make_ext4
from seatwright.image.native import SYSTEM
from seatwright.image.recipe import recipe

pytestmark = pytest.mark.long


def quiet(*words: object) -> None:
    """Nobody looks on."""


def ordered(order: Order, place: Path, model: str, line: str, settings: str = "") -> Order:
    """The order for a model whose description has one more line; ``settings`` the site's head."""
    for name in ("roles", "inventories"):
        shutil.copytree(order.repository / name, place / name, symlinks=True)
    shutil.copy(ROOT / "ansible.cfg", place)
    site = place / "inventories/fennmoor"
    described = site / f"models/{model}.yml"
    text = described.read_text()
    described.write_text(text.replace("    link:", f"    {line}\n    link:", 1))
    if settings:
        whole = site / "site.yml"
        whole.write_text(whole.read_text().replace("settings:\n", settings, 1))
    environment = {**os.environ, "PYTHONPATH": str(ROOT / "generator")}
    argv = [sys.executable, "-m", "seatwright", "render", str(site)]
    subprocess.run(argv, check=True, env=environment, capture_output=True)
    target = place / "images" / model
    plan = plan_site(site).planned.plan
    return replace(order, plan=plan, model=model, repository=place, site=site, target=target)


@contextmanager
def started(image: Path, seat: str, key: Path, place: Path, arch: str) -> Iterator[Machine]:
    """A machine with a card of the image."""
    disk = place / "card"
    disk.touch()
    os.truncate(disk, CARD)
    write_card(read_image(image, None, quiet), look(disk), seat, None, quiet)
    machine = Machine(disk, place, key, arch)
    try:
        yield machine
    finally:
        machine.pull_the_plug()
        disk.unlink()


@dataclass(frozen=True)
class Pulling:
    """A seat with a root that is not written, and the tree that it fetches, which lies on it."""

    machine: Machine
    tree: Path

    def git(self, *words: str) -> str:
        """git, in the tree; its commits are signed."""
        key = ("-c", "gpg.format=ssh", "-c", f"user.signingkey={self.machine.key}")
        who = ("-c", "user.name=Ops", "-c", "user.email=ops@fennmoor.example")
        way = shlex.join(["ssh", *self.machine.ssh_options])
        done = subprocess.run(
            ["git", *key, *who, *words],
            cwd=self.tree,
            env={**os.environ, "GIT_SSH_COMMAND": way},
            capture_output=True,
            text=True,
        )
        assert done.returncode == 0, done.stderr
        return done.stdout.strip()

    def offer(self, number: int) -> str:
        """Commit another change, and put it where the seat looks."""
        file = self.tree / "inventories/fennmoor/rendered/group_vars/all.yml"
        given = {**SETTINGS, "seat_session_idle_after": 600 + number}
        kept = [one for one in file.read_text().splitlines() if one.split(":")[0] not in given]
        lines = [f"{name}: {json.dumps(value)}" for name, value in given.items()]
        file.write_text("\n".join([*kept, *lines, ""]))
        self.git("add", "-A")
        self.git("commit", "-q", "-S", "-m", f"Number {number}")
        self.machine.ask("test -d /home/ops/rooms.git || git init -q --bare /home/ops/rooms.git")
        self.machine.ask("chown -R ops /home/ops/rooms.git")
        self.git("push", "-qf", "ops@127.0.0.1:rooms.git", "HEAD:main")
        self.machine.ask(f"rm -rf {SERVED} && cp -r /home/ops/rooms.git {SERVED}")
        self.machine.ask(f"chown -R root: {SERVED} && sync")
        return self.git("rev-parse", "HEAD")

    def pull(self) -> None:
        """Let it look, to the end."""
        self.machine.run("systemctl start seatwright-pull.service")
        self.machine.becomes("systemctl is-active seatwright-pull.service", "inactive", 1800)

    def state(self) -> dict[str, str]:
        """What became of the last look."""
        found: dict[str, str] = json.loads(self.machine.ask("cat /var/lib/seatwright/pull.json"))
        return found

    def idle_after(self) -> int:
        """What the last update that went well has changed."""
        told = json.loads(self.machine.ask("cat /etc/seatwright/session.json"))
        return int(told["idle_after"])


SERVED = "/srv/rooms.git"


def fetching(workshop: Path) -> str:
    """The head of a site whose seats fetch what was rendered, from themselves."""
    signer = (workshop / "key.pub").read_text().strip()
    return f"settings:\n  pull: {{repository: 'file://{SERVED}', signers: ['{signer}']}}\n"


@pytest.fixture(scope="module")
def read_only(
    order: Order, workshop: Path, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Order]:
    """What an image whose root is not written was made of, and in ``target`` the image."""
    place = tmp_path_factory.mktemp("read-only")
    line = "image: {read-only: true}"
    wanted = ordered(order, place / "repository", "tarn", line, settings=fetching(workshop))
    record_packages(wanted.site, recipe("bookworm", "amd64", read_only=True, pulls=True))
    build(replace(wanted, cache=own_cache(place)), quiet)
    yield wanted
    shutil.rmtree(place, ignore_errors=True)


def test_a_root_that_is_not_written(read_only: Order, workshop: Path, tmp_path: Path) -> None:
    """It keeps what a seat has to keep, is updated by the playbook and by itself, and comes back
    whenever the plug is pulled; the root on the card stays the image's, byte for byte."""
    image = read_only.target / "tarn.img"
    with started(image, "fd-1", workshop / "key", tmp_path, "amd64") as machine:
        pull_at_random_moments(machine, 3)
        comes_up(machine)
        it_is_written_to_nowhere_but_above(machine)
        known = identity(machine)
        it_is_updated_by_the_playbook(machine, read_only)
        it_fetches_and_keeps_what_it_fetched(Pulling(machine, read_only.repository), 3)
        assert identity(machine) == known
        machine.pull_the_plug()
        assert root_bytes(machine.disk) == root_bytes(image)


def test_what_lies_above_such_a_root_heals(
    read_only: Order, workshop: Path, tmp_path: Path
) -> None:
    """An error that its file system has noted is put right before it is mounted; where nothing is
    left of it the seat begins anew, as the card's file says who it is."""
    image = read_only.target / "tarn.img"
    with started(image, "fd-1", workshop / "key", tmp_path, "amd64") as machine:
        comes_up(machine)
        known = identity(machine)
        machine.pull_the_plug()
        start = state_start(machine.disk)
        noted = ["debugfs", "-w", "-R", "set_super_value state 2", f"{machine.disk}?offset={start}"]
        subprocess.run(noted, check=True)  # as the kernel notes errors, until somebody looks
        comes_up(machine)
        assert identity(machine) == known
        machine.pull_the_plug()
        with machine.disk.open("r+b") as file:
            file.seek(start)
            file.write(bytes(CARD - start))
        comes_up(machine)
        it_is_written_to_nowhere_but_above(machine)
        assert identity(machine) != known
        machine.pull_the_plug()
        assert root_bytes(machine.disk) == root_bytes(image)


def it_is_written_to_nowhere_but_above(machine: Machine) -> None:
    assert machine.ask("findmnt -no FSTYPE /") == "overlay"
    assert machine.ask("hostname") == "fd-1"
    assert "ro" in machine.ask("findmnt -no OPTIONS /media/root-ro").split(",")
    assert int(machine.ask("df --output=size -B1 / | tail -n 1")) > (CARD - 193 * MIB) / 4
    assert machine.ask("systemctl --failed --no-legend --plain") == ""


def it_is_updated_by_the_playbook(machine: Machine, wanted: Order) -> None:
    """The same clients.yml as for any seat; what it changed is there after the plug was pulled."""
    place = wanted.repository
    done = clients(machine, place)
    done.expect_success()
    assert done.recap["fd-1"].changed == 0, done.text
    (moment,) = moments(1, 1, 60)
    with ThreadPoolExecutor(1) as beside:
        run = beside.submit(clients, machine, place, *extra({"seat_session_idle_after": 777}))
        time.sleep(moment)
        machine.pull_the_plug()
        run.result()
    comes_up(machine)
    clients(machine, place, *extra({"seat_session_idle_after": 778})).expect_success()
    machine.pull_the_plug()
    comes_up(machine)
    told = json.loads(machine.ask("cat /etc/seatwright/session.json"))
    assert told["idle_after"] == 778


def it_fetches_and_keeps_what_it_fetched(seat: Pulling, times: int) -> None:
    machine = seat.machine
    (seat.tree / ".gitignore").write_text("/images/\n")
    seat.git("init", "-q", "-b", "main", ".")
    commit = seat.offer(0)
    began = time.monotonic()
    seat.pull()
    whole = time.monotonic() - began
    print(f"a pull takes {whole:.0f} s", flush=True)
    assert (seat.state()["result"], seat.state()["good"]) == ("fine", commit), seat.state()
    assert seat.idle_after() == 600
    for number, moment in enumerate(moments(times, 1, whole), start=1):
        commit = seat.offer(number)
        machine.ask("systemctl start --no-block seatwright-pull.service")
        time.sleep(moment)
        machine.pull_the_plug()
        print(f"   back after {comes_up(machine):.0f} s", flush=True)
        assert seat.idle_after() in (600 + number - 1, 600 + number)
        seat.pull()
        assert (seat.state()["result"], seat.state()["good"]) == ("fine", commit), seat.state()
        assert seat.idle_after() == 600 + number


def table_of(disk: Path) -> list[dict[str, int]]:
    """The partitions, with ``start`` and ``size`` in sectors of 512 bytes."""
    shown = subprocess.run(["sfdisk", "--json", disk], check=True, capture_output=True).stdout
    found: list[dict[str, int]] = json.loads(shown)["partitiontable"]["partitions"]
    return found


def state_start(disk: Path) -> int:
    """Where the part that is written begins, in bytes."""
    return table_of(disk)[2]["start"] * 512


def root_bytes(disk: Path) -> str:
    """SHA-256 of the root."""
    root = table_of(disk)[1]
    total = hashlib.sha256()
    with disk.open("rb") as file:
        for piece in pieces(file, root["start"] * 512, (root["start"] + root["size"]) * 512):
            total.update(piece)
    return total.hexdigest()


ROOT_UUID = "6d8a1c52-5d0e-4f39-9a7b-0c1d2e3f4a5b"


@pytest.fixture(scope="module")
def board(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An image file as somebody else makes one: a Debian that lacks most of what a seat needs,
    its boot partition mounted elsewhere, its root named by the id of its file system."""
    place = tmp_path_factory.mktemp("board")
    base = place / "base"
    packages = "apt-utils,initramfs-tools,iputils-ping,linux-image-amd64,systemd-boot-efi,udev"
    argv = ["mmdebstrap", "--quiet", "--variant=minbase", f"--include={packages},systemd-sysv"]
    subprocess.run([*argv, "bookworm", str(base)], check=True, env={**os.environ, "PATH": SYSTEM})
    (base / "etc/fstab").write_text(
        f"UUID={ROOT_UUID} / ext4 defaults 0 1\nLABEL=SEATWRIGHT /boot/firmware vfat ro 0 2\n"
    )
    (base / "boot/firmware").mkdir()
    ids = DiskIds("0b0a4d01")
    boot, root, image = (place / name for name in ("boot", "root", "board.img"))
    words = f"root=UUID={ROOT_UUID} ro console=ttyS0"
    make_boot(boot, base, "amd64", words, ids, 1767323045)
    make_ext4((base,), root, FileSystem(ROOT_UUID, "rootfs", 1767323045))
    start = 9 * MIB + 512  # not where a block begins
    boot_span = Span(start, BOOT_SIZE)
    root_span = Span(start + BOOT_SIZE, root.stat().st_size)
    assemble(image, Disk(boot_span, root_span, None), ids, {"boot": boot, "root": root})
    with image.open("r+b") as file:
        file.seek(32768)
        file.write(b"a loader of the board's own")
    for path in (boot, root):
        path.unlink()
    shutil.rmtree(base)
    return image


def test_a_boards_own_image_file(order: Order, board: Path, workshop: Path, tmp_path: Path) -> None:
    """It gets the packages it lacks, recorded, those for fetching with them, and keeps what its
    firmware and loader know."""
    digest = hashlib.sha256(board.read_bytes()).hexdigest()
    line = f"image: {{file: images/board.img, sha256: {digest}}}"
    place = tmp_path / "repository"
    wanted = ordered(order, place, "tarn", line, settings=fetching(workshop))
    shutil.copy(board, wanted.site / "images/board.img")
    made = build(wanted, quiet) / "tarn.img"
    recorded = (wanted.site / f"images/file-{digest[:16]}.packages").read_text()
    assert "\nfiglet " in recorded and "\nansible-core " in recorded
    with made.open("rb") as file:
        file.seek(32768)
        assert file.read(27) == b"a loader of the board's own"
    with started(made, "fd-2", workshop / "key", tmp_path, "amd64") as machine:
        machine.start()
        machine.becomes(UP, "active", STARTED)
        assert machine.ask("hostname") == "fd-2"
        assert machine.ask("findmnt -no UUID /") == ROOT_UUID
        assert machine.ask("findmnt -no FSTYPE /boot/firmware") == "vfat"
        assert "cap_net_raw" in machine.ask("getcap /usr/bin/ping")
        assert int(machine.ask("df --output=size -B1 / | tail -n 1")) > 0.85 * (CARD - 201 * MIB)
        verified(machine, wanted.repository, "fd-2")
        clients_yml_changes_nothing(machine, wanted.repository, "fd-2")
