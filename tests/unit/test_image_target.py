"""Where an image goes: the directory is replaced as a whole, so it may have nothing else."""

from __future__ import annotations

import threading
from pathlib import Path

import pytest

from seatwright.image.errors import ImageError
from seatwright.image.target import check_target, only_one

IMAGE = ("tarn.img", "tarn.img.sha256", "tarn.bmap", "tarn.spdx.json", "manifest.json")


def test_a_place_that_is_free_or_holds_the_models_image(tmp_path: Path) -> None:
    check_target(tmp_path / "images/tarn", "tarn")
    check_target(tmp_path, "tarn")
    for name in (*IMAGE, "manifest.json.sig", "table.json", ".gitignore"):
        (tmp_path / name).write_text("")
    check_target(tmp_path, "tarn")


@pytest.mark.parametrize("other", ["notes.txt", ".git/", "ridge.img", "tarn.img/"])
def test_what_is_not_the_models_image_stays(tmp_path: Path, other: str) -> None:
    (tmp_path / "tarn.bmap").write_text("")
    place = tmp_path / other
    place.mkdir() if other.endswith("/") else place.write_text("a person's")
    with pytest.raises(ImageError) as refused:
        check_target(tmp_path, "tarn")
    assert other.strip("/") in refused.value.message and "--output" in refused.value.hint


def test_a_file_is_no_place(tmp_path: Path) -> None:
    (tmp_path / "tarn").write_text("")
    with pytest.raises(ImageError, match="is not a directory"):
        check_target(tmp_path / "tarn", "tarn")


def test_two_builds_for_one_place_wait_for_each_other(tmp_path: Path) -> None:
    order: list[str] = []

    def other() -> None:
        with only_one(tmp_path / "way/../tarn", tmp_path / "cache"):
            order.append("second")

    (tmp_path / "way").mkdir()
    waiting = threading.Thread(target=other)
    with only_one(tmp_path / "tarn", tmp_path / "cache"):
        waiting.start()
        waiting.join(0.3)
        order.append("first")
    waiting.join(10)
    assert order == ["first", "second"]
