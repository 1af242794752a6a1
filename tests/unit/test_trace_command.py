"""``seatwright trace``: what it takes, what it refuses, and its JSON."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from seatwright.commands.main import main
from seatwright.trace.types import trace_schema
from seatwright.usb.ids import UsbIds

CASES = Path(__file__).parents[1] / "golden" / "trace"
DESK = Path(__file__).parent / "usb_samples" / "desk.txt"


@pytest.fixture(autouse=True)
def beside_the_site(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(CASES)
    monkeypatch.setattr("seatwright.commands.trace.system_ids", lambda: None)


def traced(capsys: pytest.CaptureFixture[str], *words: str) -> Any:
    """The JSON of a trace, which keeps to its schema."""
    assert main(["trace", "site.yml", *words, "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    jsonschema.Draft202012Validator(trace_schema()).validate(document)
    return document


def test_json_holds_every_layer_and_rule(capsys: pytest.CaptureFixture[str]) -> None:
    document = traced(capsys, "headset", "--at", "reading-room")
    assert (document["format"], document["at"]) == (1, "reading-room")
    (variant,) = document["traces"][0]["variants"]
    first, second = variant["groups"]
    assert (first["verdict"], first["stopped_by"]) == ("redirect", None)
    assert (second["verdict"], second["stopped_by"]) == ("keep", "client: permitted")
    assert first["seats"] == [f"rr-0{number}" for number in range(1, 7)]
    assert first["cells"] == ["reading-room/ridge", "reading-room/vale"]
    assert [layer["name"] for layer in first["layers"]] == [
        "port path", "client: permitted", "client: redirect", "device node", "host", "ports",
    ]  # fmt: skip
    permitted = first["layers"][1]
    assert [rule["number"] for rule in permitted["rules"]] == list(range(1, 8))
    asked = permitted["strict"]["questions"]
    assert [(one["interface"], one["rule"], one["decides"]) for one in asked] == [
        (0, 4, False),
        (1, 5, True),
    ]
    assert permitted["rules"][3]["place"] == "site.yml:32:36"
    assert permitted["rules"][3]["written"] == "headset"


def test_json_says_what_the_library_would_skip(capsys: pytest.CaptureFixture[str]) -> None:
    words = ("1209:0008", "--interfaces", "mass-storage,hid/0/0", "--at", "rr-01")
    groups = traced(capsys, *words)["traces"][0]["variants"][0]["groups"]
    permitted = groups[-1]["layers"][1]
    assert (permitted["strict"]["allowed"], permitted["plain"]["allowed"]) == (False, True)
    assert permitted["plain"]["skipped"] == [1]
    assert "without the strict flag" in permitted["difference"]


def test_names_of_this_machine_stay_in_the_terminal(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    ids = UsbIds({0x1209: "Fenn"}, {(0x1209, 0x0003): "Reader \x1b[2J"}, {})
    monkeypatch.setattr("seatwright.commands.trace.system_ids", lambda: ids)
    assert main(["trace", "site.yml", "card-reader", "--at", "fd-1"]) == 0
    text = capsys.readouterr().out
    assert "Fenn Reader" in text
    assert "\x1b" not in text
    assert "Fenn Reader" not in json.dumps(traced(capsys, "card-reader", "--at", "fd-1"))


def test_several_captured_devices_are_all_traced_or_one(
    capsys: pytest.CaptureFixture[str],
) -> None:
    every = traced(capsys, "--lsusb", str(DESK), "--at", "rr-01")["traces"]
    one = traced(capsys, "--lsusb", str(DESK), "--device", "1209:0005", "--at", "rr-01")["traces"]
    assert len(every) > 1
    assert [trace["device"]["peripheral"] for trace in one] == ["headset"]
    assert one == [trace for trace in every if trace["device"]["product"] == 5]


def test_a_captured_device_stands_where_it_was_found_unless_said(
    capsys: pytest.CaptureFixture[str],
) -> None:
    found = traced(capsys, "--sys", "seat", "--at", "rr-01")["traces"][0]
    assert found["variants"][0]["groups"][0]["places"]["port"] == "2-3.1"
    anywhere = traced(capsys, "--sys", "seat", "--at", "rr-01", "--every-socket")["traces"][0]
    assert anywhere["variants"][0]["groups"][0]["places"]["port"] is None


def test_what_the_site_says_otherwise_is_noted(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    text = (CASES / "hostile.txt").read_text(encoding="utf-8").replace("0x0008", "0x0003")
    (tmp_path / "devices.txt").write_text(text.replace("1209:0008", "1209:0003"), encoding="utf-8")
    words = ("--lsusb", str(tmp_path / "devices.txt"), "--at", "fd-1")
    notes = traced(capsys, *words)["traces"][0]["notes"]
    assert notes == [
        "The site describes card-reader with smart-card, but this device has hid and mass-storage."
    ]


def test_what_cannot_be_read_is_said_and_the_rest_is_traced(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    text = (CASES / "hostile.txt").read_text(encoding="utf-8")
    broken = text.replace("bInterfaceClass         3", "bInterfaceClass         \x1b[2J")
    (tmp_path / "devices.txt").write_text(text + broken, encoding="utf-8")
    words = ["trace", "site.yml", "--lsusb", str(tmp_path / "devices.txt"), "--at", "fd-1"]
    assert main(words) == 2
    out, err = capsys.readouterr()
    assert "At fd-1 the device 1209:0008 stays" in out
    assert "bInterfaceClass is" in err
    assert "\x1b" not in out + err
    assert main([*words, "--device", "1209:0008"]) == 0


REFUSED = {
    ("card-reader", "--at", "reding-room"): 'Did you mean "reading-room"?',
    ("card-raeder", "--at", "fd-1"): 'Did you mean "card-reader"?',
    ("card-reader", "--at", "fd-1", "--socket", "beside the lmp"): "beside the lamp",
    ("card-reader", "--at", "fd-1", "--socket", "x", "--port", "1-2"): "Give one of the two.",
    ("card-reader", "--at", "fd-1", "--port", "1-02"): "leading 0",
    ("card-reader", "--at", "fd-1", "--bcd", "1.00"): "go with an id",
    ("1209:0003", "--at", "fd-1", "--bcd", "x"): "is not a bcdDevice",
    ("1209:0003", "--at", "fd-1", "--interfaces", "imgae"): 'Did you mean "image"?',
    ("1209:zzzz", "--at", "fd-1"): "is not the id of a USB device",
    ("--at", "fd-1"): "One device is wanted",
    ("card-reader", "--at", "fd-1", "--lsusb", "hostile.txt"): "choose one with --device",
    ("--at", "fd-1", "--lsusb", "hostile.txt", "--bcd", "1.00"): "says itself what it is",
    ("--at", "fd-1", "--lsusb", "hostile.txt", "--device", "1209:0001"): "There are 1209:0008.",
    ("--at", "fd-1", "--lsusb", "site.yml"): "no device stands here",
    ("--at", "fd-1", "--lsusb", "none.txt"): "No such file",
    ("--at", "fd-1", "--sys", "none"): "is no directory",
    ("card-reader", "--at", "fd-1", "--device", "1209:0003"): "chooses out of",
}


@pytest.mark.parametrize("words", REFUSED, ids=" ".join)
def test_what_is_refused(words: tuple[str, ...], capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["trace", "site.yml", *words]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert REFUSED[words] in err


def test_a_site_with_errors_is_traced_and_they_are_mentioned(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    text = (CASES / "site.yml").read_text(encoding="utf-8")
    site = tmp_path / "site.yml"
    site.write_text(text.replace("[card-reader, audio]", '["1209:0002", audio]'), encoding="utf-8")
    assert main(["trace", str(site), "1209:0002", "--at", "fd-1"]) == 0
    out, err = capsys.readouterr()
    assert "its id is that of an onboard device" in out
    assert "cannot be rendered" in err


def test_models_without_the_socket_are_left_out(capsys: pytest.CaptureFixture[str]) -> None:
    words = ("headset", "--at", "reading-room", "--socket", "beside the lamp")
    trace = traced(capsys, *words)["traces"][0]
    assert trace["notes"] == ["Clients of the model vale have no such socket; left out: rr-06."]
    assert trace["variants"][0]["groups"][0]["cells"] == ["reading-room/ridge"]
