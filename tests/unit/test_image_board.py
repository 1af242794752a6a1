"""Image files to begin with: what is not the one that is meant, or not an image, is refused."""

from __future__ import annotations

import hashlib
import os
import re
from pathlib import Path

import pytest

from seatwright.image.blockmap import joined
from seatwright.image.board import board_disk, ensure_unpacked, put_together, read_board
from seatwright.image.disk import Span, copy_span
from seatwright.image.errors import ImageError
from seatwright.image.filesystem import MIB
from support.small_image import small_image


@pytest.fixture(scope="module")
def image(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A small image whose root is no Debian."""
    return small_image(tmp_path_factory.mktemp("image") / "tarn")


def digest(path: Path) -> str:
    """SHA-256 of a file."""
    return hashlib.sha256(path.read_bytes()).hexdigest()


def test_its_parts_are_found_and_kept(image: Path, tmp_path: Path) -> None:
    """Between the table and the boot partition lies what the firmware of some boards reads."""
    file = tmp_path / "board.img"
    file.write_bytes(image.read_bytes())
    with file.open("r+b") as opened:
        opened.seek(8192)
        opened.write(b"a loader of the board's own")
    board = read_board(file, digest(file))
    assert board.boot == Span(MIB, 192 * MIB) and board.boot_type == "ef"
    assert board.root == Span(193 * MIB, 16 * MIB)
    assert board.ids.partition(2) == "0badcafe-02"
    boot, root, new = (tmp_path / name for name in ("boot", "root", "new"))
    copy_span(file, board.boot, boot)
    root.write_bytes(b"\x11" * (4 * MIB))
    put_together(board, new, board_disk(board, 4 * MIB), boot, root)
    before, after = file.read_bytes(), new.read_bytes()
    assert after[512 : 193 * MIB] == before[512 : 193 * MIB]
    assert after[193 * MIB :] == b"\x11" * (4 * MIB)
    assert read_board(new, digest(new)).root == Span(193 * MIB, 4 * MIB)


def test_a_wrong_digest_a_cut_download_and_no_image_are_refused(
    image: Path, tmp_path: Path
) -> None:
    wanted = digest(image)
    cut = tmp_path / "cut.img"
    cut.write_bytes(image.read_bytes())
    os.truncate(cut, 100 * MIB)
    letters = tmp_path / "letters.img"
    letters.write_text("not an image\n" * 1000)
    for path, sha256, said in (
        (image, "0" * 64, "and the site says 0000"),
        (cut, wanted, "and the site says"),
        (letters, digest(letters), "is not an image with a boot partition"),
        (tmp_path / "none.img", wanted, "No such file"),
    ):
        with pytest.raises(ImageError, match=re.escape(said)):
            read_board(path, sha256)


def test_a_file_that_ends_before_its_partitions_is_refused(image: Path, tmp_path: Path) -> None:
    """With the digest that it really has, too."""
    cut = tmp_path / "cut.img"
    cut.write_bytes(image.read_bytes()[: 200 * MIB])
    with pytest.raises(ImageError):
        ensure_unpacked(read_board(cut, digest(cut)), None, tmp_path / "cache")
    assert [one.name for one in (tmp_path / "cache/images/bases").iterdir()] == [
        f".file-{digest(cut)[:16]}.lock"
    ]


def test_a_root_that_is_no_debian_is_refused(image: Path, tmp_path: Path) -> None:
    with pytest.raises(ImageError, match="is not the root \\(ext4\\) of a Debian"):
        ensure_unpacked(read_board(image, digest(image)), None, tmp_path / "cache")
    left = [one.name for one in (tmp_path / "cache/images/bases").iterdir()]
    assert left == [f".file-{digest(image)[:16]}.lock"]


def test_runs_that_touch_are_one() -> None:
    assert list(joined([(5, 6), (0, 1), (2, 2), (6, 9), (20, 20)])) == [(0, 2), (5, 9), (20, 20)]
    assert list(joined([])) == []
