"""A card that is a real block device: the kernel's own loop device over a file."""

from __future__ import annotations

import json
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner

from seatwright.commands.card import command
from seatwright.image.device import look
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
