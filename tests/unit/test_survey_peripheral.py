"""survey --peripheral and --diff: a device into a person's file, a client beside its model."""

from __future__ import annotations

import difflib
import os
import shutil
import stat
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from played import ADAPTER, CARDS, HOSTILE, KEYBOARD, RIDGE, Usb, hub, lay_out
from seatwright.commands.main import main
from seatwright.site.read import read_site
from seatwright.survey.peripheral import CannotInsert, entry_of, inserted
from seatwright.usb.capture import printable
from seatwright.usb.device import Device, Interface

DEMO = Path(__file__).parents[2] / "inventories/fennmoor"
DRAWER = Usb("1-2", "1209:0011", (CARDS, KEYBOARD), bcd="0150", maker="Fenn", title="Drawer")
ENTRY = entry_of("drawer", Device(0x1209, 0x11, interfaces=(Interface(0x0B, 0, 0),)), "", "", "")

TEXTS = {
    "last section": "peripherals:\n  a:\n    id: '1209:0003'   # ours\n",
    "no end of line": "peripherals:\n  a: {id: '1209:0003'}",
    "a comment of the next section": (
        "site:   X  # wide\n\nperipherals:   # owned\n    a:   # first\n        id: 1\n"
        "    # the end of a's\n\n# Next\npolicies: {}\n"
    ),
    "nothing yet": "site: X\nperipherals:\npolicies: {}  # x\n",
    "no section": "site: X\n# the end\n",
    "in braces": "site: X   # x\nperipherals: {a: {id: '1'}}\n# y\n",
    "braces without anything": "peripherals: {}\nsite: X\n",
    "aligned by hand": "peripherals:\n  long-name:  {id: '1', needs: 3}\n  b:          {id: '2'}\n",
    "a text over lines": "peripherals:\n  a:\n    title: >\n      long\n\n      words\nsite: X\n",
    "carriage returns": "site: X\r\nperipherals:\r\n  a: {id: '1'}\r\n",
}


@pytest.mark.parametrize("shape", TEXTS)
def test_only_new_lines_come_and_all_else_stays(shape: str) -> None:
    text = TEXTS[shape]
    after = inserted(text, ENTRY)
    changes = [
        one
        for one in difflib.ndiff(text.splitlines(), after.splitlines())
        if one[0] == "-" and "peripherals" not in one
    ]
    assert changes == []
    assert "drawer:" in after and after.count("1209:0011") == 1
    again = entry_of("other", Device(1, 2), "", "", "")
    assert "drawer" in inserted(after, again)


def test_the_entry_stands_below_its_section_and_above_the_next_comment() -> None:
    after = inserted(TEXTS["a comment of the next section"], ENTRY)
    assert '# the end of a\'s\n    drawer:\n        id: "1209:0011"\n' in after
    assert after.endswith("interfaces: [smart-card]\n\n# Next\npolicies: {}\n")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("peripherals:\n  drawer: {id: 1}\n", "drawer already, in line 2"),
        ("peripherals: [a]\n", "no list of names"),
        ("- a\n", "no description"),
        ("a: [\n", "cannot read it"),
        ("a: &x 1\na: 2\n", "cannot read it"),
    ],
)
def test_what_cannot_be_added_to_is_said(text: str, words: str) -> None:
    with pytest.raises(CannotInsert, match=words):
        inserted(text, ENTRY)


@given(st.text(alphabet="pa: \n#-[]{}'\"|>&*x\t", max_size=60))
def test_any_text_is_added_to_or_refused(text: str) -> None:
    try:
        after = inserted(f"peripherals:\n  a: {{id: 1}}\n{text}", ENTRY)
    except CannotInsert:
        return
    assert "drawer:" in after


@pytest.fixture
def site(tmp_path: Path) -> Path:
    copy = tmp_path / "site"
    shutil.copytree(DEMO, copy, ignore=shutil.ignore_patterns("rendered"))
    return copy


def plugged(tmp_path: Path, *usb: Usb, descriptors: bytes = b"") -> Path:
    sys = lay_out(replace(RIDGE, usb=(*RIDGE.usb, *usb)), tmp_path / "client")
    if descriptors:
        (sys / f"bus/usb/devices/{usb[0].name}/descriptors").write_bytes(descriptors)
    return sys


def run(site: Path | str, *words: object) -> int:
    return main(["survey", str(site), *map(str, words)])


def test_a_plugged_device_comes_into_the_demo(site: Path, tmp_path: Path) -> None:
    sys = plugged(tmp_path, DRAWER, hub("1-3"))
    file = site / "site.yml"
    file.chmod(0o640)
    before = file.read_text()
    assert run(site, "--peripheral", "till-drawer", "--sys", sys) == 0
    lines = list(difflib.ndiff(before.splitlines(), file.read_text().splitlines()))
    assert [one for one in lines if one[0] != " "] == [
        "+   till-drawer:",
        '+     title: "Fenn Drawer"',
        '+     id: "1209:0011"',
        "+     interfaces: [smart-card, hid/1/1]",
        "+     speed: high",
    ]
    assert stat.S_IMODE(file.stat().st_mode) == 0o640
    reading = read_site(site)
    assert reading.site is not None and reading.findings == read_site(DEMO).findings
    found = reading.site.peripherals["till-drawer"]
    assert found.interfaces == (Interface(11), Interface(3, 1, 1))


def test_its_descriptors_come_into_a_file_beside(site: Path, tmp_path: Path) -> None:
    import struct

    whole = struct.pack(
        "<BBHBBBBHHHBBBB", 18, 1, 0x200, 0, 0, 0, 64, 0x1209, 0x11, 0x150, 1, 2, 0, 1
    )
    body = bytes((9, 4, 0, 0, 1, 11, 0, 0, 0)) + struct.pack("<BBBBHB", 7, 5, 0x81, 2, 512, 0)
    body += bytes((9, 4, 1, 0, 0, 3, 1, 1, 0))
    whole += struct.pack("<BBHBBBBB", 9, 2, 9 + len(body), 2, 1, 0, 0x80, 50) + body
    sys = plugged(tmp_path, DRAWER, descriptors=whole)
    assert run(site, "--peripheral", "till-drawer", "--sys", sys) == 0
    assert (site / "devices/till-drawer.descriptors").read_bytes() == whole
    reading = read_site(site)
    assert reading.site is not None and reading.findings == read_site(DEMO).findings
    assert 'descriptors: "devices/till-drawer.descriptors"' in (site / "site.yml").read_text()


@pytest.mark.parametrize(
    "data", [b"\x00", b"\x12\x01", bytes(18), b"\x12\x01" + bytes(16) + b"\x00"]
)
def test_broken_descriptors_are_left_out(
    data: bytes, site: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A descriptor of no length, one cut off, one of another kind."""
    sys = plugged(tmp_path, DRAWER, descriptors=data)
    assert run(site, "--peripheral", "till-drawer", "--sys", sys) == 0
    assert "Left out: the descriptors of 1209:0011" in capsys.readouterr().err
    assert "till-drawer.descriptors" not in (site / "site.yml").read_text()
    assert not (site / "devices/till-drawer.descriptors").exists()


@pytest.mark.parametrize("words", HOSTILE, ids=range(len(HOSTILE)))
def test_a_devices_own_words_are_a_title_and_nothing_else(
    words: str, site: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    sys = plugged(tmp_path, replace(DRAWER, maker="", title=words))
    assert run(site, "--peripheral", "till-drawer", "--sys", sys) == 0
    reading = read_site(site)
    assert reading.site is not None and reading.findings == read_site(DEMO).findings
    title = reading.site.peripherals["till-drawer"].title
    assert title == printable(words.partition("\n")[0])[:200].strip()
    assert reading.site.models.keys() == {"ridge", "tarn", "vale"}
    assert all(one.isprintable() or one == "\n" for one in capsys.readouterr().out)


def test_of_several_one_has_to_be_chosen(
    site: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    sys = plugged(tmp_path, DRAWER, Usb("1-3", "1209:0012", title="\x1b[2JStick"))
    assert run(site, "--peripheral", "a", "--sys", sys) == 2
    said = capsys.readouterr().err
    assert "1209:0011 at 1-2 (Fenn Drawer) and 1209:0012 at 1-3" in said and "\x1b" not in said
    assert run(site, "--peripheral", "a", "--sys", sys, "--device", "1-3") == 0
    assert run(site, "--peripheral", "b", "--sys", sys, "--device", "1209:0011") == 0
    assert run(site, "--peripheral", "c", "--sys", sys, "--device", "1209:0099") == 2


LSUSB = """\
Bus 001 Device 004: ID 1209:0011 Fenn Drawer
Device Descriptor:
  bDeviceClass            0
  bDeviceSubClass         0
  bDeviceProtocol         0
  idVendor           0x1209 Fenn
  idProduct          0x0011
  bcdDevice            1.50
  iManufacturer           1 Fenn
  iProduct                2 Drawer
  bNumConfigurations      1
  Configuration Descriptor:
    bNumInterfaces          1
    bConfigurationValue     1
    Interface Descriptor:
      bInterfaceNumber        0
      bAlternateSetting       0
      bInterfaceClass        11 Chip/SmartCard
      bInterfaceSubClass      0
      bInterfaceProtocol      0
"""


def test_what_lsusb_printed_is_taken_too(
    site: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = tmp_path / "lsusb.txt"
    text.write_text(LSUSB)
    assert run(site, "--peripheral", "till-drawer", "--lsusb", text) == 0
    assert "interfaces: [smart-card]" in capsys.readouterr().out
    text.write_text(LSUSB[:300])
    assert run(site, "--peripheral", "other", "--lsusb", text) == 2
    said = capsys.readouterr().err
    assert "bNumConfigurations is missing" in said and "No device" in said


@pytest.mark.parametrize(
    ("usb", "name", "words"),
    [
        ((replace(ADAPTER, name="1-2"),), "dongle", "Nothing was written: "),
        ((DRAWER,), "headset", "there is a peripheral headset already"),
        ((), "x", "No device is plugged in"),
        ((DRAWER,), "Bad Name", "--peripheral: "),
    ],
)
def test_what_would_break_the_site_is_not_written(
    usb: tuple[Usb, ...],
    name: str,
    words: str,
    site: Path,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """The adapter's id is onboard in the demo, and a policy that names it would send it away."""
    sys = plugged(tmp_path, *usb)
    text = (site / "site.yml").read_text()
    if name == "dongle":
        text = text.replace("redirect: [printer, headset]", "redirect: [printer, headset, dongle]")
        (site / "site.yml").write_text(text)
    before = {path: path.read_bytes() for path in site.rglob("*") if path.is_file()}
    assert run(site, "--peripheral", name, "--sys", sys) == 2
    assert words in capsys.readouterr().err
    assert {path: path.read_bytes() for path in site.rglob("*") if path.is_file()} == before


def test_an_interrupted_write_leaves_the_old_file(
    site: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    sys = plugged(tmp_path, DRAWER)
    before = (site / "site.yml").read_bytes()

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "replace", full)
    assert run(site, "--peripheral", "till-drawer", "--sys", sys) == 2
    assert "No space left" in capsys.readouterr().err
    assert (site / "site.yml").read_bytes() == before
    assert not [path for path in site.iterdir() if ".new" in path.name]


AS_DESCRIBED = replace(RIDGE, usb=(*RIDGE.usb, hub("usb3", 4, id="1d6b:0003", speed="5000")))


def test_a_client_is_compared_with_its_model(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    sys = lay_out(AS_DESCRIBED, tmp_path / "same")
    assert run(DEMO, "--diff", "ridge", "--sys", sys) == 0
    assert capsys.readouterr().out == "this machine is like its model ridge.\n"
    usb = [one for one in AS_DESCRIBED.usb if one != ADAPTER]
    other = replace(AS_DESCRIBED, usb=(*usb, replace(ADAPTER, id="1209:0009")))
    sys = lay_out(other, tmp_path / "other")
    assert run(DEMO, "--diff", "ridge", "--sys", sys) == 1
    said = capsys.readouterr().out
    assert said.startswith(
        "Stops a run: At 2-3.4.2, where ridge has 1209:0002, its network adapter"
    )
    assert "take the seat off the network" in said


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--diff", "ridge"], "--diff needs the SITE"),
        (["--peripheral", "x"], "--peripheral needs the SITE"),
        ([DEMO], "A SITE goes with"),
        ([DEMO, "--diff", "rigde"], 'Did you mean "ridge"'),
        ([DEMO, "--diff", "ridge", "--model", "m"], "different things"),
        (["--sockets"], "goes with --model"),
        (["--device", "x"], "go with --peripheral"),
        (["--sockets", "--model", "m", "--capture", "x"], "a walk through the sockets needs"),
        ([DEMO, "--peripheral", "x", "--lsusb", "a", "--ssh", "b"], "source of its own"),
    ],
)
def test_words_that_do_not_go_together(
    words: list[object], said: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    monkeypatch.chdir(tmp_path)
    assert main(["survey", *map(str, words)]) == 2
    assert said in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


def test_storage_needs_no_more_than_its_class() -> None:
    device = Device(1, 2, device_class=0xEF, interfaces=(Interface(8, 6, 80),))
    entry = entry_of("stick", device, 'a "b"', "super", "devices/stick.descriptors")
    assert entry.lines("  ", "  ") == [
        "  stick:\n",
        "    title: 'a \"b\"'\n",
        '    id: "0001:0002"\n',
        "    class: miscellaneous\n",
        "    interfaces: [mass-storage]\n",
        "    speed: super\n",
        '    descriptors: "devices/stick.descriptors"\n',
    ]
