"""The verb: text, JSON and what it is asked wrongly."""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import pytest

from seatwright.commands.budget import budget_schema
from seatwright.commands.main import main

DEMO = Path(__file__).parents[2] / "inventories" / "fennmoor"


def test_a_seat_in_text(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["budget", str(DEMO), "rr-07"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[0] == "Reading Room: rr-07 (1, ridge, 3 ports each)"
    assert "adapter on USB 2" in lines[1]
    wanted = "film-scanner 304 Mb/s, declared fits alone under the shelf: 200 Mb/s left (adapter)"
    assert " ".join(lines[2].split()) == f"{wanted}, 1 GB in 41 s"


def test_a_room_as_json(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["budget", str(DEMO), "map-room", "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    jsonschema.validate(document, budget_schema())
    (group,) = document["groups"]
    assert group["seats"][0] == "mr-1"
    assert list(document["links"]) == [group["link"]]
    assert document["demands"]["headset"]["measured"] is False
    assert document["demands"]["loan-drive"]["measured"] is True


def test_the_whole_site_has_what_many_share(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["budget", str(DEMO)]) == 0
    shared = capsys.readouterr().out.partition("Shared by many\n")[2]
    assert "switch reading-floor" in shared and "host quay" in shared


def test_nobody_of_that_name(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["budget", str(DEMO), "map-rom"]) == 2
    said = capsys.readouterr().err
    assert 'no room and no seat "map-rom"' in said and '"map-room"' in said


def test_a_site_with_errors_has_no_budget(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "site.yml").write_text("seatwright: 1\nsite: Fennmoor\nswitches: {a: {}}\n")
    assert main(["budget", str(tmp_path)]) == 2
    assert "uplink" in capsys.readouterr().out
