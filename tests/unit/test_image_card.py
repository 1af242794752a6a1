"""Cards: what is written is what the image has, and what must not be written is not."""

from __future__ import annotations

import json
import os
import re
import shutil
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner

from seatwright.commands.card import command
from seatwright.image import card as cards
from seatwright.image.blockmap import read_map
from seatwright.image.card import read_image, write_card
from seatwright.image.device import LARGEST_CARD, Target, look, look_at_device, may_write
from seatwright.image.errors import ImageError
from seatwright.image.filesystem import MIB
from support.small_image import run, small_image

SIZE = 256 * MIB


def silent(what: str, done: int, of: int) -> None:
    """Nobody looks on."""


@pytest.fixture(scope="module")
def image(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A small image."""
    return small_image(tmp_path_factory.mktemp("image") / "tarn")


@pytest.fixture
def blank(tmp_path: Path) -> Path:
    """A card that held something else before, here and there."""
    path = tmp_path / "card"
    with path.open("wb") as file:
        file.truncate(SIZE)
        for start in (0, 20 * MIB, 100 * MIB, 192 * MIB, 205 * MIB):
            file.seek(start)
            file.write(b"\xa5" * MIB)
    return path


@pytest.fixture(autouse=True)
def own_state(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Tokens of the tests stay with the tests."""
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))


def seatwright_card(*words: str | Path, given: str = "") -> tuple[int, str]:
    """Status and everything said."""
    result = CliRunner().invoke(command, [str(word) for word in words], input=given)
    return result.exit_code, result.output + str(result.exception or "")


def test_what_the_image_uses_is_on_the_card_and_its_file_systems_are_whole(
    image: Path, blank: Path, tmp_path: Path
) -> None:
    write_card(read_image(image, None, silent), look(blank), "rr-02", "sesame", silent)
    root = tmp_path / "root"
    with blank.open("rb") as file:
        file.seek(193 * MIB)
        root.write_bytes(file.read(16 * MIB))
    run("e2fsck", "-fn", root)
    run("debugfs", "-R", f"dump /greeting {tmp_path}/greeting", root)
    assert (tmp_path / "greeting").read_text() == "hello\n" * 5000
    assert run("sfdisk", "--dump", blank).count("type=") == 2
    told = json.loads(run("mtype", "-i", f"{blank}@@1M", "::seatwright-seat.json"))
    assert told == {"seat": "rr-02", "token": "sesame"}
    assert blank.stat().st_size == SIZE


def test_only_mapped_blocks_are_written(image: Path, blank: Path) -> None:
    card = read_image(image, None, silent)
    write_card(card, look(blank), None, None, silent)
    assert card.blocks.mapped < card.blocks.size / 4
    ends = [(one.last + 1) * 4096 for one in card.blocks.ranges[:-1]]
    starts = [one.start for one in card.blocks.ranges[1:]]
    data = blank.read_bytes()
    kept = []
    for end, start in zip(ends, starts, strict=True):
        for old in (20 * MIB, 100 * MIB, 192 * MIB, 205 * MIB):
            if end <= old and old + MIB <= start:
                kept.append(old)
                assert data[old : old + MIB] == b"\xa5" * MIB
    assert {20 * MIB, 100 * MIB} <= set(kept)


def test_the_map_is_one_that_bmaptool_verifies(image: Path, tmp_path: Path) -> None:
    """Outside reference: bmaptool copies by our map and checks every digest in it."""
    target = tmp_path / "copied"
    run("bmaptool", "copy", "--bmap", image.with_suffix(".bmap"), image, target)
    found = read_map(image.with_suffix(".bmap"))
    before, after = image.read_bytes(), target.read_bytes()
    for one in found.ranges:
        end = one.start + found.length(one)
        assert before[one.start : end] == after[one.start : end]


def test_a_card_that_was_not_finished_does_not_start(
    image: Path, blank: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nor does what was on it before, which may be an earlier image: its table goes first, the new
    one comes last."""
    card = read_image(image, None, silent)
    write_card(card, look(blank), "rr-01", None, silent)
    assert table_of(blank) == table_of(image) != bytes(cards.TABLES)
    real, written = cards._write_piece, []

    def pulled_at_the_end(descriptor: int, piece: bytes, at: int) -> None:
        if written and at == 0:
            raise OSError(5, "Input/output error")
        written.append(at)
        real(descriptor, piece, at)
        assert table_of(blank) == bytes(cards.TABLES)

    with monkeypatch.context() as patched:
        patched.setattr(cards, "_write_piece", pulled_at_the_end)
        with pytest.raises(ImageError, match="Input/output error"):
            write_card(card, look(blank), "rr-01", None, silent)
    assert written[0] == 0 and len(written) > 2
    write_card(card, look(blank), "rr-01", None, silent)
    assert table_of(blank) == table_of(image)


def test_a_card_that_does_not_hold_what_was_written_does_not_start(
    image: Path, blank: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    card = read_image(image, None, silent)
    real = cards._forget_cache

    def wears_out(descriptor: int) -> None:
        os.pwrite(descriptor, b"worn", 193 * MIB + 2048)
        real(descriptor)

    monkeypatch.setattr(cards, "_forget_cache", wears_out)
    with pytest.raises(ImageError, match="does not hold what was written"):
        write_card(card, look(blank), "rr-01", None, silent)
    assert table_of(blank) == bytes(cards.TABLES)


def table_of(card: Path) -> bytes:
    """Where partition tables are."""
    return card.read_bytes()[: cards.TABLES]


def test_a_device_that_was_exchanged_while_somebody_was_asked_is_not_written(
    image: Path, blank: Path
) -> None:
    """Another card is in the reader, or another disk has its name: the kernel numbers them."""
    asked = replace(look(blank), number="17")
    before = blank.read_bytes()
    with pytest.raises(ImageError, match="is another device by now"):
        write_card(read_image(image, None, silent), asked, "rr-01", None, silent)
    assert blank.read_bytes() == before


def test_the_image_itself_is_no_card(image: Path) -> None:
    before = image.stat().st_mtime_ns
    status, said = seatwright_card(image, image, "--seat", "rr-01", "--yes")
    assert "is the image itself" in said and status != 0
    assert image.stat().st_mtime_ns == before


def test_what_is_missing_here_is_said_before_anything_is_written(
    image: Path, blank: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = blank.stat().st_mtime_ns
    monkeypatch.setenv("PATH", "/nowhere")
    status, said = seatwright_card(image, blank, "--seat", "rr-01", "--yes")
    assert "Missing on this machine: mcopy, mtype" in said and status != 0
    assert blank.stat().st_mtime_ns == before


def damaged(image: Path, place: Path) -> Path:
    """A copy of the image to be damaged."""
    shutil.copytree(image.parent, place)
    return place / image.name


def test_a_damaged_or_short_image_is_refused_before_anything_is_written(
    image: Path, blank: Path, tmp_path: Path
) -> None:
    before = blank.stat().st_mtime_ns
    truncated = damaged(image, tmp_path / "truncated")
    os.truncate(truncated, truncated.stat().st_size - 4096)
    changed = damaged(image, tmp_path / "changed")
    with changed.open("r+b") as file:
        file.seek(193 * MIB + 2048)
        file.write(b"x")
    other_map = damaged(image, tmp_path / "other-map")
    text = other_map.with_suffix(".bmap").read_text()
    other_map.with_suffix(".bmap").write_text(text.replace("0-0", "0-1"))
    alone = damaged(image, tmp_path / "alone")
    (alone.parent / "manifest.json").unlink()
    nothing = tmp_path / "nothing.img"
    for path, said in (
        (truncated, "should have"),
        (changed, "is damaged between"),
        (other_map, "is not the block map"),
        (alone, "manifest.json is not there"),
        (nothing, "There is no image"),
    ):
        with pytest.raises(ImageError, match=re.escape(said)):
            read_image(path, None, silent)
    assert blank.stat().st_mtime_ns == before


def test_a_card_of_100_bytes_is_refused(image: Path, tmp_path: Path) -> None:
    tiny = tmp_path / "tiny"
    tiny.write_bytes(bytes(100))
    with pytest.raises(ImageError, match="has 100 bytes, and the image needs"):
        may_write(look(tiny), read_image(image, None, silent).blocks.size, None)


def test_a_seat_that_the_image_does_not_have_is_refused(image: Path, blank: Path) -> None:
    before = blank.stat().st_mtime_ns
    status, said = seatwright_card(image, blank, "--seat", "rr-03", "--yes")
    assert 'has no seat "rr-03"' in said and "rr-0" in said and status != 0
    assert blank.stat().st_mtime_ns == before


def test_it_asks_with_size_and_model_and_takes_only_the_name(image: Path, blank: Path) -> None:
    before = blank.stat().st_mtime_ns
    _, said = seatwright_card(image, blank, "--seat", "rr-01", given="yes\n")
    assert "Everything on" in said and "0.3 GB, a file" in said and "Nothing was written" in said
    _, said = seatwright_card(image, blank, "--seat", "rr-01")  # nobody answers
    assert "Nothing was written" in said
    assert blank.stat().st_mtime_ns == before
    status, said = seatwright_card(image, blank, "--seat", "rr-01", given="card\n")
    assert status == 0, said
    assert "written, read back, alike" in said


def test_the_token_is_kept_for_the_owner_alone(image: Path, blank: Path, tmp_path: Path) -> None:
    seatwright_card(image, blank, "--seat", "rr-01", "--yes")
    kept = tmp_path / "state/seatwright/tokens/rr-01"
    assert kept.stat().st_mode & 0o077 == 0
    told = json.loads(run("mtype", "-i", f"{blank}@@1M", "::seatwright-seat.json"))
    assert told["token"] == kept.read_text().strip() and len(told["token"]) == 64


@pytest.fixture
def machine(tmp_path: Path) -> Iterator[Path]:
    """A /sys and /proc with a card reader, a fixed disk, and the disk of the system."""
    root = tmp_path / "machine"
    disks = {"sdz": ("8:400", "1", 32), "sdy": ("8:384", "0", 500), "sda": ("8:0", "0", 64)}
    for name, (number, removable, gigabytes) in disks.items():
        at = root / "sys/devices" / name
        (at / "device").mkdir(parents=True)
        (at / "dev").write_text(f"{number}\n")
        (at / "removable").write_text(f"{removable}\n")
        (at / "size").write_text(f"{gigabytes * 10**9 // 512}\n")
        (at / "device/model").write_text("Paper Reader   \n")
        part = at / f"{name}1"
        part.mkdir()
        major, minor = number.split(":")
        (part / "dev").write_text(f"{major}:{int(minor) + 1}\n")
        (part / "partition").write_text("1\n")
    (root / "proc/self").mkdir(parents=True)
    (root / "proc/swaps").write_text("Filename Type\n")
    (root / "proc/self/mountinfo").write_text("1 0 8:1 / / rw - ext4 /dev/sda1 rw\n")
    yield root


def at(machine: Path, name: str) -> Target:
    """A device of that machine."""
    return look_at_device(Path("/dev", name), machine / "sys/devices" / name, machine)


def test_a_card_reader_is_fine_and_described(machine: Path) -> None:
    target = at(machine, "sdz")
    may_write(target, SIZE, None)
    assert target.described == "32.0 GB, Paper Reader"


def test_the_systems_disk_is_never_written(machine: Path) -> None:
    with pytest.raises(ImageError, match="runs from") as caught:
        may_write(at(machine, "sda"), SIZE, "sda")
    assert "whatever options" in caught.value.hint


def test_what_is_mounted_or_swapped_to_is_never_written(machine: Path) -> None:
    mounts = machine / "proc/self/mountinfo"
    mounts.write_text(mounts.read_text() + "2 1 8:401 / /media/x rw - vfat /dev/sdz1 rw\n")
    with pytest.raises(ImageError, match="sdz1 is mounted at /media/x"):
        may_write(at(machine, "sdz"), SIZE, "sdz")
    mounts.write_text("1 0 8:1 / / rw - ext4 /dev/sda1 rw\n")
    (machine / "proc/swaps").write_text("Filename Type\n/dev/sdz1 partition 1 0 -2\n")
    with pytest.raises(ImageError, match="swapped to"):
        may_write(at(machine, "sdz"), SIZE, "sdz")


def test_a_fixed_or_large_disk_is_written_only_when_named(machine: Path) -> None:
    target = at(machine, "sdy")
    for insist in (None, "sdz"):
        with pytest.raises(ImageError, match="not removable") as caught:
            may_write(target, SIZE, insist)
        assert "--insist sdy" in caught.value.hint
    may_write(target, SIZE, "sdy")
    large = at(machine, "sdz")
    huge = Target(large.path, "sdz", LARGEST_CARD + 1, "Paper", True, (), False)
    with pytest.raises(ImageError, match="larger than any card"):
        may_write(huge, SIZE, None)


def test_a_reader_without_a_card_is_said_to_have_none(machine: Path) -> None:
    (machine / "sys/devices/sdz/size").write_text("0\n")
    with pytest.raises(ImageError, match=r"/dev/sdz \(Paper Reader\) has no card in it"):
        may_write(at(machine, "sdz"), SIZE, None)


def test_a_partition_and_what_is_no_device_are_refused(machine: Path) -> None:
    with pytest.raises(ImageError, match="is a partition of sdz"):
        look_at_device(Path("/dev/sdz1"), machine / "sys/devices/sdz/sdz1", machine)
    with pytest.raises(ImageError, match="neither a block device nor a file"):
        look(Path("/dev/null"))
    with pytest.raises(ImageError, match="No such file"):
        look(Path("/dev/nowhere"))


def test_help_says_that_everything_is_lost() -> None:
    said = CliRunner().invoke(command, ["--help"]).output
    assert "EVERYTHING ON DEVICE IS LOST" in said
