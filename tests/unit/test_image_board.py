"""Image files to begin with: what is not the one that is meant, or not an image, is refused."""

from __future__ import annotations

import hashlib
import os
import re
import subprocess
from pathlib import Path

import pytest

from seatwright.image.blockmap import joined
from seatwright.image.board import board_base, board_disk, put_together, read_board
from seatwright.image.disk import Span, copy_span
from seatwright.image.errors import ImageError
from seatwright.image.filesystem import MIB
from seatwright.image.onseat.files import table_of_mounts
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
        opened.write(b"code")
        opened.seek(8192)
        opened.write(b"a loader of the board's own")
    board = read_board(file, digest(file), "amd64")
    assert (board.root_uuid, board.root_label) == ("11111111-2222-8333-8444-555555555555", "")
    assert board.boot == Span(MIB, 192 * MIB) and board.boot_type == "ef"
    assert board.root == Span(193 * MIB, 16 * MIB)
    assert board.ids.partition(2) == "0badcafe-02"
    bases = [board_base(board, (), pulls).digest("") for pulls in (False, True)]
    assert bases[0] != bases[1], "seats that fetch need packages for it"
    boot, root, new = (tmp_path / name for name in ("boot", "root", "new"))
    copy_span(file, board.boot, boot)
    root.write_bytes(b"\x11" * (4 * MIB))
    put_together(board, new, board_disk(board, 4 * MIB), {"boot": boot, "root": root})
    before, after = file.read_bytes(), new.read_bytes()
    assert after[:440] == before[:440]
    assert after[512 : 193 * MIB] == before[512 : 193 * MIB]
    assert after[193 * MIB :] == b"\x11" * (4 * MIB)
    table = subprocess.run(["sfdisk", "--dump", new], check=True, capture_output=True, text=True)
    assert re.search(rf"start= *{193 * MIB // 512}, size= *8192, type=83", table.stdout)


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
            read_board(path, sha256, "amd64")


def test_a_file_that_ends_before_its_partitions_is_refused(image: Path, tmp_path: Path) -> None:
    """With the digest that it really has, too."""
    cut = tmp_path / "cut.img"
    cut.write_bytes(image.read_bytes()[: 200 * MIB])
    with pytest.raises(ImageError, match="ends before its last partition"):
        read_board(cut, digest(cut), "amd64")


def test_a_root_that_is_not_ext4_is_refused(image: Path, tmp_path: Path) -> None:
    file = tmp_path / "board.img"
    file.write_bytes(image.read_bytes())
    with file.open("r+b") as opened:
        opened.seek(193 * MIB)
        opened.write(bytes(4 * MIB))
    with pytest.raises(ImageError, match="is not ext4; nothing that is known is on it"):
        read_board(file, digest(file), "amd64")


def test_mounts_of_a_boards_own_stay() -> None:
    """But its root's and its boot partition's: that one is in its old place as well."""
    own = (
        "# a comment\n/dev/mmcblk0p2 / ext4 defaults 0 1\nLABEL=BOOT /boot/firmware vfat ro 0 2\n"
        "tmpfs /var/log tmpfs size=16m 0 0\n"
    )
    lines = table_of_mounts(own, "0badcafe-01", "0badcafe-02").splitlines()
    assert [line.split()[:2] for line in lines] == [
        ["PARTUUID=0badcafe-02", "/"],
        ["PARTUUID=0badcafe-01", "/boot/efi"],
        ["/boot/efi", "/boot/firmware"],
        ["tmpfs", "/var/log"],
    ]
    assert table_of_mounts("\n".join(lines), "0badcafe-01", "0badcafe-02").splitlines() == lines


def test_runs_that_touch_are_one() -> None:
    assert list(joined([(5, 6), (0, 1), (2, 2), (6, 9), (20, 20)])) == [(0, 2), (5, 9), (20, 20)]
    assert list(joined([])) == []
