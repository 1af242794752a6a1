"""The verbs around images: what they refuse, before anything is made, asked or written."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from seatwright.commands.card import command as card
from seatwright.commands.common import Refused
from seatwright.commands.enrol import command as enrol
from seatwright.commands.image import command as image
from seatwright.commands.rehearse import command as rehearse
from seatwright.commands.rehearse import report
from seatwright.image.compare import Difference, differing, inside
from seatwright.image.errors import ImageError
from seatwright.image.rehearse import Rehearsal, Step

SITE = str(Path(__file__).parents[2] / "inventories/fennmoor")


def refused(result: Result) -> str:
    """What a verb refuses with, hint included."""
    assert isinstance(result.exception, Refused), result.output
    return f"{result.exception.message} {result.exception.hint}"


@pytest.fixture(autouse=True)
def elsewhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """An empty directory to be in; nothing may appear in it."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("SEATWRIGHT_CACHE", str(tmp_path / "cache"))
    return tmp_path


def test_names_that_the_site_does_not_have_are_refused_with_the_nearest(elsewhere: Path) -> None:
    for verb, words, said in (
        (image, ["tarm", SITE], "no model 'tarm'. Did you mean 'tarn'?"),
        (image, ["tarn", SITE, "--compare", "fd-9"], "no seat 'fd-9'"),
        (enrol, ["fd-11", SITE], "no seat 'fd-11'. Did you mean"),
        (rehearse, ["front-desk-", SITE], "Did you mean 'front-desk'?"),
    ):
        told = refused(CliRunner().invoke(verb, words)).replace('"', "'")
        assert said in told, told
    assert list(elsewhere.iterdir()) == []


def test_without_root_nothing_is_begun(elsewhere: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "geteuid", lambda: 1000)
    result = CliRunner().invoke(image, ["tarn", SITE])
    assert "needs root" in refused(result) and "sudo" in refused(result)
    assert isinstance(result.exception, Refused) and result.exception.status == 3
    assert list(elsewhere.iterdir()) == []


def test_without_an_image_there_is_nothing_to_compare_or_write(elsewhere: Path) -> None:
    told = refused(CliRunner().invoke(image, ["tarn", SITE, "--compare", "fd-1"]))
    assert "holds no image" in told
    told = refused(CliRunner().invoke(card, ["none.img", "card", "--seat", "fd-1"]))
    assert "There is no image none.img" in told
    assert list(elsewhere.iterdir()) == []


def test_what_differs_is_named_from_both_sides() -> None:
    assert differing("package", {"a": "1", "b": "1"}, {"b": "2", "c": "1"}, every=True) == [
        Difference("package", "a", "1", "none"),
        Difference("package", "b", "1", "2"),
        Difference("package", "c", "none", "1"),
    ]
    assert differing("file", {"/a": "1"}, {"/a": "1", "/b": "2"}, every=False) == []


def test_an_image_gives_a_seat_its_own_files_and_those_of_all(elsewhere: Path) -> None:
    described = {"packages": {"a": "1"}, "installed": {"/usr/lib/x": "1"}}
    files = [
        {"path": "/etc/seatwright/session.json", "sha256": "2"},
        {"path": "/var/lib/seatwright/files/seat_session.json", "sha256": "3"},
    ]
    table = {"seats": [{"name": "fd-1", "files": files}]}
    (elsewhere / "manifest.json").write_text(json.dumps(described))
    (elsewhere / "table.json").write_text(json.dumps(table))
    found = inside(elsewhere, "fd-1")
    assert found.files == {"/usr/lib/x": "1", "/etc/seatwright/session.json": "2"}
    with pytest.raises(ImageError, match="has no seat fd-2"):
        inside(elsewhere, "fd-2")


def test_a_report_says_which_seats_went_wrong_and_that_the_room_is_untouched() -> None:
    steps = [
        Step("clients.yml", {"a-1": "0 changed", "a-2": "0 changed"}),
        Step("again", {"a-1": "1 changed", "a-2": "0 changed"}, ("a-1",), "TASK [x]"),
    ]
    found = Rehearsal("attic", ("a-1", "a-2"), ("vale",), steps)
    assert not found.went_well
    assert report(found) == [
        "attic: 2 seats rehearsed.",
        "Of another processor, or with an image file of its own, so that a plain Debian of this "
        "machine's stood in: vale.",
        "well   clients.yml",
        "         0 changed: 2 (a-1 …)",
        "WRONG  again",
        "         0 changed: 1 (a-2)",
        "         1 changed: 1 (a-1)",
        "         wrong at a-1",
        "TASK [x]",
        "It went wrong; the room is untouched.",
    ]
