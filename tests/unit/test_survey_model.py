"""survey/: the model that is written reads back as what was seen, whatever a device says."""

from __future__ import annotations

import json
import os
from dataclasses import replace
from pathlib import Path

import jsonschema
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from played import (
    ADAPTER,
    DEFAULT,
    HOSTILE,
    NETWORK,
    RIDGE,
    ROOT_HUBS,
    STORAGE,
    Client,
    Usb,
    hub,
    lay_out,
    mount,
)
from seatwright.commands.main import main
from seatwright.site.read import read_site
from seatwright.site.types import Carries, Model
from seatwright.survey.here import Places, capture_here
from seatwright.survey.look import LARGEST, read_look
from seatwright.survey.model import WalkedSocket, model_text
from seatwright.survey.onboard import Knowledge
from seatwright.survey.report import as_json, report, survey_schema
from seatwright.survey.ways import ways
from seatwright.survey.write import AROUND, findings_of
from seatwright.usb.capture import CaptureError
from seatwright.usb.portpath import PortPath


def knowledge(client: Client, root: Path) -> Knowledge:
    text = capture_here(Places.of(str(lay_out(client, root))), short=False)
    look = read_look(text, "capture")
    return Knowledge(look, ways(look))


def read_back(text: str, place: Path) -> Model:
    (place / "site.yml").write_text(AROUND, encoding="utf-8")
    (place / "model.yml").write_text(text, encoding="utf-8")
    reading = read_site(place / "site.yml")
    assert reading.findings == () and reading.site is not None
    (model,) = reading.site.models.values()
    return model


def test_a_model_reads_back_as_what_was_seen(tmp_path: Path) -> None:
    model = read_back(model_text("ridge", knowledge(RIDGE, tmp_path)), tmp_path)
    assert (model.name, model.title, model.network, model.link) == ("ridge", "Ridge", "usb", 10**9)
    assert [(one.port, one.vendor, one.product, one.usb_class) for one in model.onboard] == [
        ("2-3", 0x1209, 0x0001, 9),
        ("2-3.4", 0x1209, 0x0001, 9),
        ("2-3.4.2", 0x1209, 0x0002, 2),
    ]
    assert [one.carries for one in model.onboard] == [None, None, Carries.NETWORK]


def test_sockets_that_were_walked_to_are_in_it(tmp_path: Path) -> None:
    walked = [
        WalkedSocket("beside the lamp", (PortPath(1, (2,)), PortPath(2, (2,))), "super"),
        WalkedSocket('"#{}', (PortPath(1, (4, 1)),), "high"),
    ]
    played = replace(RIDGE, usb=(*RIDGE.usb, hub("1-4")))
    known = replace(knowledge(played, tmp_path), sockets=tuple(p for w in walked for p in w.ports))
    model = read_back(model_text("ridge", known, walked), tmp_path)
    assert [(one.label, one.ports, one.speed.value) for one in model.sockets] == [
        ("beside the lamp", ("1-2", "2-2"), "super"),
        ('"#{}', ("1-4.1",), "high"),
    ]
    assert "1-4" in [one.port for one in model.onboard], "the hub that a socket is behind"


def test_what_a_person_must_decide_is_marked(tmp_path: Path) -> None:
    usb = (*ROOT_HUBS, hub("1-3"), Usb("1-2", "1209:000b", title="Fenn Stick"))
    played = replace(RIDGE, usb=usb, nets=(("wlan0", None, (), {}),), routes=(), machine="")
    text = model_text("m", knowledge(played, tmp_path))
    model = read_back(text, tmp_path)
    assert model.network == "internal" and [one.port for one in model.onboard] == ["1-3"]
    for line in (
        "link: 100 Mb/s    # decide: the adapter does not say",
        "network: internal    # decide: no route told",
        "# decide: no route leads anywhere",
        "# decide: it is a hub, perhaps one that was plugged in",
        "# decide: Fenn Stick: nothing tells whether it is part of the client",
        '# - {port: "1-2", id: "1209:000b", class: mass-storage}',
        '# - {port: ["1-2", "2-2"], label: decide, speed: super}',
    ):
        assert line in text


@pytest.mark.parametrize("words", HOSTILE, ids=range(len(HOSTILE)))
def test_a_devices_own_words_stay_words(words: str, tmp_path: Path) -> None:
    played = replace(
        RIDGE,
        usb=(*ROOT_HUBS, hub("2-3"), hub("2-3.4"), replace(ADAPTER, maker=words, title=words)),
        machine=words,
    )
    known = knowledge(played, tmp_path)
    text = model_text("ridge", known)
    model = read_back(text, tmp_path)
    assert [one.port for one in model.onboard] == ["2-3", "2-3.4", "2-3.4.2"]
    said = report("capture", known)
    document = json.loads(as_json(known))
    assert [one["port"] for one in document["devices"]][2:] == ["2-3", "2-3.4", "2-3.4.2"]
    for shown in (text, said, as_json(known)):
        assert all(one.isprintable() or one == "\n" for one in shown)
        assert len(shown.splitlines()) == shown.count("\n")


def test_descriptors_are_in_a_capture_and_none_in_an_empty_file(tmp_path: Path) -> None:
    sys = lay_out(RIDGE, tmp_path)
    whole = bytes(range(256)) * 3
    (sys / "bus/usb/devices/2-3/descriptors").write_bytes(whole)
    (sys / "bus/usb/devices/2-3.4/descriptors").write_bytes(b"")
    look = read_look(capture_here(Places.of(str(sys)), short=False), "capture")
    found = {one.name: one.descriptors for one in look.devices}
    assert found["2-3"] == whole and found["2-3.4"] == b"" and look.unreadable == ()


@pytest.fixture(scope="module")
def capture(tmp_path_factory: pytest.TempPathFactory) -> str:
    """Of a client that has some of everything."""
    played = Client(
        usb=(*RIDGE.usb, Usb("1-2", "1209:000b", (STORAGE,), title="Stick")),
        ports=RIDGE.ports,
        nets=(("br0", None, ("eth0",), {}), *RIDGE.nets),
        blocks=(
            ("dm-0", "253:0", None, ("sda2",), {"dm/name": "root"}),
            ("sda2", "8:2", "1-2", (), {}),
        ),
        inputs=(("input0", "1-2", {"name": "Keys", "capabilities/key": "fffffffffffffffe"}),),
        routes=(("br0", *DEFAULT, 0),),
        mounts=(mount("253:0", "/", "ext4", "/dev/mapper/root"),),
        swaps=("/dev/sda2",),
    )
    sys = lay_out(played, tmp_path_factory.mktemp("client"))
    (sys / "bus/usb/devices/1-2/descriptors").write_bytes(bytes(range(40)))
    return capture_here(Places.of(str(sys)), short=False)


def use(text: str) -> None:
    """Everything that is done with a capture: it works, or says what is wrong."""
    try:
        look = read_look(text, "capture")
    except CaptureError as error:
        assert error.hint and error.line >= 1
        return
    known = Knowledge(look, ways(look), look)
    report("capture", known)
    as_json(known)
    findings_of(model_text("m", known))


def test_the_whole_capture_is_used(capture: str) -> None:
    look = read_look(capture, "capture")
    found = {(str(one.port), one.carries) for one in ways(look).on_usb}
    assert found == {("2-3.4.2", "network"), ("1-2", "disk"), ("1-2", "input")}
    use(capture)


@given(st.data())
@settings(max_examples=60)
def test_a_capture_cut_short_anywhere_is_refused(capture: str, data: st.DataObject) -> None:
    cut = data.draw(st.integers(0, len(capture) - 5))
    with pytest.raises(CaptureError, match=r"cut short|no capture"):
        read_look(capture[:cut], "capture")


CHANGES = st.one_of(
    st.tuples(st.just("text"), st.text(max_size=12)),
    st.tuples(st.just("drop"), st.integers(1, 400).map(str)),
    st.tuples(st.just("line"), st.integers(0, 10**6).map(str)),
    st.tuples(st.just("digits"), st.sampled_from(["0", "65536", "-1", "\u0663", "zz", "1e9"])),
)


@given(st.lists(st.tuples(CHANGES, st.integers(0, 10**6)), min_size=1, max_size=5))
@settings(max_examples=150)
def test_a_corrupted_capture_never_crashes(
    capture: str, changes: list[tuple[tuple[str, str], int]]
) -> None:
    text = capture
    for (kind, what), at in changes:
        place = at % len(text)
        if kind == "text":
            text = text[:place] + what + text[place:]
        elif kind == "drop":
            text = text[:place] + text[place + int(what) :]
        else:
            lines = text.split("\n")
            one = at % len(lines)
            if kind == "line":
                lines.insert(one, lines[int(what) % len(lines)])
            else:
                lines[one] = " ".join([*lines[one].split(" ")[:-1], what])
            text = "\n".join(lines)
        text = text or "x"
    use(text)


@given(st.binary(max_size=300))
def test_anything_else_is_no_capture(data: bytes) -> None:
    with pytest.raises(CaptureError):
        read_look(data.decode("utf-8", errors="replace"), "capture")


def test_a_capture_that_never_ends_is_refused() -> None:
    with pytest.raises(CaptureError, match="larger than"):
        read_look("seatwright-survey 1\n" + "x\n" * (LARGEST // 2), "capture")


@pytest.mark.parametrize(
    ("name", "old", "new", "words"),
    [
        ("2-3.4.2", "idVendor 1209", "idVendor 12g9", "idVendor is '12g9', not a hexadecimal"),
        ("2-3.4.2", "bNumInterfaces  2", "bNumInterfaces  3", "3 interfaces are announced, 2"),
        ("2-3.4.2", "bcdDevice 0210", "", "bcdDevice is nothing"),
    ],
)
def test_a_device_that_cannot_be_read_is_named(
    capture: str, name: str, old: str, new: str, words: str
) -> None:
    old, new = f"usb {name} {old}", f"usb {name} {new}" if new else ""
    assert old in capture
    look = read_look(capture.replace(old, new), "capture")
    (error,) = look.unreadable
    assert f"the device {name}: " in error.message and words in error.message
    assert capture.split("\n")[error.line - 1].startswith(f"usb {name} ") or not new


def test_links_that_lead_in_circles_and_nowhere_are_passed_over(tmp_path: Path) -> None:
    circles = {
        "bus/usb/devices/1-9": "bus/usb/devices/1-9",
        "bus/usb/devices/2-3.9": "gone",
        "class/net/eth9": "class",
        "class/block/sda": "class/block",
        "devices/virtual/net/lo/lower_lo": "devices/virtual/net/lo",
    }
    look = knowledge(replace(RIDGE, links=circles), tmp_path).look
    assert [one.name for one in look.devices] == ["usb1", "usb2", "2-3", "2-3.4", "2-3.4.2"]
    assert look.adapters["lo"].lower == ("lo",)
    assert [str(one.port) for one in ways(look).on_usb] == ["2-3.4.2"]


def run(*words: str | Path) -> int:
    return main(["survey", *map(str, words)])


@pytest.fixture
def ridge(tmp_path: Path) -> Path:
    return lay_out(RIDGE, tmp_path / "client")


def test_the_verb_prints_saves_and_writes_new_files_only(
    ridge: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    model, saved = tmp_path / "ridge.yml", tmp_path / "capture.txt"
    assert run("--sys", ridge, "--model", "ridge", "-o", model, "--save", saved) == 0
    said = capsys.readouterr()
    assert "this machine: Ridge, " in said.out and "carries: network" in said.out
    assert f"Wrote {model}." in said.err
    assert run("--capture", saved, "--bare", saved, "--json") == 0
    found = json.loads(capsys.readouterr().out)
    assert [one["sure"] for one in found["devices"]] == [True] * 5
    jsonschema.validate(found, survey_schema())
    before = model.read_text()
    assert run("--capture", saved, "--model", "ridge", "-o", model) == 2
    assert "is there already" in capsys.readouterr().err and model.read_text() == before
    assert sorted(os.listdir(tmp_path)) == ["capture.txt", "client", "ridge.yml"]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--capture", "nowhere.txt"], "nowhere.txt: No such file"),
        (["--ssh", "a", "--sys", "/sys"], "different places"),
        (["--ssh-config", "x"], "goes with --ssh"),
        (["--sys", "nowhere"], "is no directory"),
        (["--model", "Bad Name"], "--model: "),
        (["--toward", "no.such.host.invalid"], "has no address"),
        (["--ssh", "-oProxyCommand=touch owned"], "cannot be reached"),
    ],
)
def test_wrong_use_is_answered(
    words: list[str],
    said: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    assert run(*words) == 2
    assert said in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


def test_a_model_with_a_device_that_cannot_be_read_is_not_written(
    ridge: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (ridge / "bus/usb/devices/2-3.4/idVendor").write_text("\x1b[31m\n")
    assert run("--sys", ridge, "--model", "m", "-o", tmp_path / "m.yml") == 2
    said = capsys.readouterr()
    assert "No model was written" in said.err and "the device 2-3.4" in said.err
    assert "\x1b" not in said.err + said.out and not (tmp_path / "m.yml").exists()


CHANGING = """#!/bin/sh
read -r first
{ echo "$first"; cat; } | /bin/sh -s -- SYS PROC | sed 's/^after .*/after eth0=99/'
"""


def test_an_adapter_that_comes_and_goes_is_waited_for_and_then_said(
    ridge: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """``ssh`` is played: the real script runs, and the second moment is another one."""
    program = tmp_path / "bin/ssh"
    program.parent.mkdir()
    text = CHANGING.replace("SYS", str(ridge)).replace("PROC", str(ridge.parent / "proc"))
    program.write_text(f"{text}echo look >> {tmp_path}/looks\n")
    program.chmod(0o755)
    monkeypatch.setenv("PATH", f"{program.parent}:{os.environ['PATH']}")
    assert run("--ssh", "rr-01", "--model", "m", "-o", tmp_path / "m.yml") == 2
    said = capsys.readouterr().err
    assert "While rr-01 was looked at, something came or went: " in said and "eth0" in said
    assert (tmp_path / "looks").read_text().count("look") == 3
    assert not (tmp_path / "m.yml").exists()


def test_network_is_a_carrier_even_of_two_interfaces_of_one_device(tmp_path: Path) -> None:
    played = replace(
        RIDGE,
        usb=(*RIDGE.usb, Usb("1-2", "1209:0008", (*NETWORK, STORAGE))),
        nets=(("eth0", "1-2", (), {}),),
    )
    model = read_back(model_text("m", knowledge(played, tmp_path)), tmp_path)
    assert [(one.port, one.carries) for one in model.onboard] == [
        ("1-2", Carries.NETWORK),
        ("2-3", None),
        ("2-3.4", None),
    ]
