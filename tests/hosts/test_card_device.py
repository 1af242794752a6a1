"""A card that is a real block device: the kernel's own loop device over a file."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from click.testing import CliRunner

from conftest import ROOT
from seatwright.commands.card import command
from seatwright.image.card import read_image, write_card
from seatwright.image.device import look, may_write
from seatwright.image.errors import ImageError
from seatwright.image.filesystem import MIB
from support.small_image import run, small_image


@pytest.fixture
def device(tmp_path: Path) -> Iterator[Path]:
    """A block device of 256 MiB."""
    card = tmp_path / "card"
    card.touch()
    run("truncate", "-s", str(256 * MIB), card)
    path = Path(run("losetup", "--find", "--show", card).strip())
    yield path
    subprocess.run(["losetup", "--detach", path], check=True)


@contextmanager
def lying_device(place: Path, real: int, how: str) -> Iterator[Path]:
    """A block device that says 256 MiB and has ``real`` bytes (see support.lying_card)."""
    backing, mounted = place / "backing", place / "mounted"
    mounted.mkdir()
    backing.touch()
    os.truncate(backing, real)
    argv = [sys.executable, "-m", "support.lying_card", mounted, backing, 256 * MIB, real, how]
    server = subprocess.Popen(list(map(str, argv)), cwd=ROOT / "tests")
    try:
        until = time.monotonic() + 20
        while not (mounted / "card").exists():
            assert server.poll() is None and time.monotonic() < until
            time.sleep(0.05)
        device = Path(run("losetup", "--find", "--show", mounted / "card").strip())
        try:
            yield device
        finally:
            run("losetup", "--detach", device)
    finally:
        run("umount", mounted)
        assert server.wait(20) == 0


@pytest.mark.parametrize(
    ("real", "how", "said"),
    [
        (192, "wraps", "does not hold what was written"),
        (192, "lost", "does not hold what was written"),
        (192, "fails", "Input/output error"),
        (100, "wraps", "and does not"),
        (128, "wraps", "and does not"),
        (224, "wraps", "and does not"),
        (224, "lost", "and does not"),
        (224, "fails", "Input/output error"),
    ],
)
def test_a_device_that_has_less_room_than_it_says_is_found_out(
    tmp_path: Path, real: int, how: str, said: str
) -> None:
    """The image ends at 209 MiB: what is missing is of the image, or only of the card behind it."""
    card = read_image(small_image(tmp_path / "tarn"), None, lambda *told: None)
    assert 192 * MIB < card.blocks.size < 224 * MIB
    with lying_device(tmp_path, real * MIB, how) as device:
        assert look(device).size == 256 * MIB
        with pytest.raises(ImageError, match=said):
            write_card(card, look(device), "rr-01", None, lambda *told: None)


def test_a_device_that_is_write_protected_is_left_alone(tmp_path: Path) -> None:
    card = read_image(small_image(tmp_path / "tarn"), None, lambda *told: None)
    disk = tmp_path / "card"
    disk.touch()
    os.truncate(disk, 256 * MIB)
    device = Path(run("losetup", "--read-only", "--find", "--show", disk).strip())
    try:
        with pytest.raises(ImageError, match="is write-protected"):
            may_write(look(device), card.blocks.size, device.name)
    finally:
        run("losetup", "--detach", device)


def test_the_same_device_with_all_of_its_room_is_fine(tmp_path: Path) -> None:
    card = read_image(small_image(tmp_path / "tarn"), None, lambda *told: None)
    with lying_device(tmp_path, 256 * MIB, "fails") as device:
        write_card(card, look(device), "rr-01", None, lambda *told: None)
        told = json.loads(run("mtype", "-i", f"{device}@@1M", "::seatwright-seat.json"))
        assert told == {"seat": "rr-01"}


def test_a_device_is_written_when_it_is_named_and_not_when_it_is_mounted(
    device: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    image = small_image(tmp_path / "tarn")
    words = [str(image), str(device), "--seat", "rr-01", "--yes"]
    refused = CliRunner().invoke(command, words)
    assert "is not removable" in str(refused.exception)
    assert Path(device).read_bytes()[:512] == bytes(512)
    written = CliRunner().invoke(command, [*words, "--insist", device.name])
    assert written.exit_code == 0, written.output + str(written.exception)
    told = json.loads(run("mtype", "-i", f"{device}@@1M", "::seatwright-seat.json"))
    assert told["seat"] == "rr-01"
    it_is_not_written_while_something_of_it_is_mounted(device, words, tmp_path)


def it_is_not_written_while_something_of_it_is_mounted(
    device: Path, words: list[str], tmp_path: Path
) -> None:
    run("mke2fs", "-q", "-F", "-t", "ext4", device)
    place = tmp_path / "mounted"
    place.mkdir()
    run("mount", device, place)
    try:
        assert look(device).in_use == (f"{device.name} is mounted at {place}",)
        refused = CliRunner().invoke(command, [*words, "--insist", device.name])
        assert "is in use" in str(refused.exception)
        assert list(place.iterdir()) == [place / "lost+found"]
    finally:
        run("umount", place)
