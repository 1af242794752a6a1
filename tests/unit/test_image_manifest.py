"""Why an image is not the one that was there before: from their manifests alone."""

from __future__ import annotations

from pathlib import Path

import pytest

from seatwright.image.build import hold_against_last
from seatwright.image.manifest import manifest
from support.small_image import SNAPSHOT


def described(place: Path, table: str, root: str, tools: str = "4.0") -> Path:
    """A directory with a manifest."""
    place.mkdir()
    text = manifest(
        ("tarn", "amd64", ["rr-01"]),
        SNAPSHOT,
        installed={},
        inputs={"base": "b", "table": table},
        tools={"mtools": tools},
        parts={"boot": "1", "root": root},
        files={"tarn.img": root},
    )
    (place / "manifest.json").write_bytes(text)
    return place


@pytest.mark.parametrize(
    ("table", "root", "said"),
    [
        ("t", "2", "It is bit for bit the image that was there."),
        (
            "u",
            "3",
            "It is not the image that was there:\n  inputs: table: t before, u now\n"
            "  parts: root: 2 before, 3 now\n  files: tarn.img: 2 before, 3 now",
        ),
        (
            "t",
            "3",
            "It is not the image that was there, though all that went in is:\n"
            "  parts: root: 2 before, 3 now\n  files: tarn.img: 2 before, 3 now",
        ),
    ],
)
def test_a_rebuilt_image_is_held_against_the_last(
    table: str, root: str, said: str, tmp_path: Path
) -> None:
    told: list[str] = []
    last, new = described(tmp_path / "last", "t", "2"), described(tmp_path / "new", table, root)
    hold_against_last(last, new, told.append)
    assert told == [said]


def test_nothing_is_said_where_there_was_none(tmp_path: Path) -> None:
    told: list[str] = []
    hold_against_last(tmp_path / "none", described(tmp_path / "new", "t", "2"), told.append)
    assert told == []


def test_another_version_of_a_tool_is_a_reason(tmp_path: Path) -> None:
    told: list[str] = []
    last = described(tmp_path / "last", "t", "2")
    hold_against_last(last, described(tmp_path / "same", "t", "2", "4.1"), told.append)
    hold_against_last(last, described(tmp_path / "other", "t", "3", "4.1"), told.append)
    assert told[0] == "It is bit for bit the image that was there."
    assert told[1].startswith(
        "It is not the image that was there:\n  tools: mtools: 4.0 before, 4.1 now\n"
    )
