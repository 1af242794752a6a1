"""usb/lsusb.py on a hand-written text of invented devices, whole and broken.

The format is the one that usbutils 014 printed in tests/oracle/test_lsusb_real.py.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from seatwright.usb.capture import CaptureError
from seatwright.usb.device import Device, Interface
from seatwright.usb.lsusb import LsusbReading, load_lsusb, read_lsusb

SAMPLE = Path(__file__).parent / "usb_samples" / "desk.txt"
TEXT = SAMPLE.read_text(encoding="utf-8")
LINES = TEXT.split("\n")

HEADSET = Device(
    0x1209, 0x0005, 0x0110, interfaces=(Interface(1, 1, 0), Interface(1, 2, 0), Interface(3, 0, 0))
)
HUB = Device(0x1209, 0x0001, 0x99A1, 9, 0, 3, interfaces=(Interface(9, 0, 0),))


def devices(text: str) -> list[Device]:
    reading = read_lsusb(text, "desk.txt")
    assert reading.errors == ()
    return [one.device() for one in reading.devices]


def only_error(reading: LsusbReading) -> CaptureError:
    assert len(reading.errors) == 1
    return reading.errors[0]


def test_devices_with_everything_a_filter_looks_at() -> None:
    reading = load_lsusb(SAMPLE)
    assert reading.errors == ()
    assert [one.device() for one in reading.devices] == [HEADSET, HUB]
    headset = reading.devices[0]
    assert (headset.bus, headset.address, headset.port, headset.line) == (3, 7, None, 2)
    assert (headset.active, headset.active_known) == (1, False)
    assert headset.manufacturer == "Fenn Works"


def test_alternate_settings_are_known_and_not_counted_as_interfaces() -> None:
    configuration = load_lsusb(SAMPLE).devices[0].configuration()
    assert configuration is not None
    assert [(one.number, one.alternate) for one in configuration.alternates] == [(1, 1)]
    assert len(configuration.interfaces) == 3


@pytest.mark.parametrize(
    "pasted",
    [
        TEXT.replace("\n", "\r\n"),
        "\n".join(line.lstrip() for line in LINES),
        "\n".join(f"> {line}" for line in LINES),
        "\n".join(f"\t{line}" for line in LINES),
        "\ufeff" + TEXT,
        TEXT.replace("Bus 003 Device 007: ID", "Device: ID"),
    ],
    ids=["crlf", "no indentation", "quoted", "tabs", "byte order mark", "device file"],
)
def test_pasted_text_is_read_too(pasted: str, tmp_path: Path) -> None:
    path = tmp_path / "pasted.txt"
    path.write_bytes(pasted.encode())
    assert [one.device() for one in load_lsusb(path).devices] == [HEADSET, HUB]


def test_a_descriptor_without_its_header_is_read() -> None:
    assert devices("\n".join(LINES[4:108])) == [HEADSET]
    assert devices("\n".join(LINES[4:])) == [HEADSET, HUB]


def changed(old: str, new: str, count: int = 1) -> str:
    assert old in TEXT
    return TEXT.replace(old, new, count)


@pytest.mark.parametrize(
    ("text", "line", "column", "words"),
    [
        (changed("idVendor           0x1209", "idVendor           4617"), 13, 22, "'4617', not 0x"),
        (changed("idVendor           0x1209 Fenn Works", "idVendor"), 13, 11, "is nothing"),
        (changed("  idProduct          0x0005 Headset Two\n", ""), 5, 1, "idProduct is missing"),
        (changed("0x0005 Headset", "0x0006 Headset"), 14, 22, "not the one in line 2"),
        (
            changed("bcdDevice            1.10", "bcdDevice            1.1"),
            15,
            24,
            "a version like",
        ),
        (changed("bDeviceClass            0", "bDeviceClass          256"), 9, 25, "up to 255"),
        (changed("bNumInterfaces          3", "bNumInterfaces          4"), 24, 29, "4 interfaces"),
        (changed("bNumConfigurations      1", "bNumConfigurations      2"), 19, 27, "2 configur"),
        (changed("Class         3 Human", "Class         HID"), 93, 31, "'HID'"),
        (changed("Headset Two: bInt", "Headset\n  idVendor 0x1209 bInt"), 18, 12, "second time"),
    ],
)
def test_what_is_wrong_is_said_with_its_place_and_the_rest_is_read(
    text: str, line: int, column: int, words: str
) -> None:
    reading = read_lsusb(text, "desk.txt")
    error = only_error(reading)
    assert words in error.message and error.hint
    assert (error.line, error.column) == (line, column)
    assert str(error).startswith(f"desk.txt:{line}:{column}: ")
    assert error.source == text.split("\n")[line - 1]
    assert [one.device() for one in reading.devices] == [HUB]


@pytest.mark.parametrize("cut", range(4, 107, 3))
def test_a_text_cut_off_anywhere_before_the_last_interface_ends_is_refused(cut: int) -> None:
    cut_off = [*LINES[:cut]]
    reading = read_lsusb("\n".join(cut_off), "desk.txt")
    whole = cut > 96
    assert len(reading.devices) == (1 if whole else 0)
    assert len(reading.errors) == (0 if whole else 1)


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "no device stands here"),
        (b"hello\n", "no device stands here"),
        (b"/:  Bus 01.Port 1: Dev 1, Class=root_hub\n", "no device stands here"),
        (b"Bus 001 Device 003: ID 1209:0003 Reader\n", "lsusb ran without -v"),
        ("Bus 001 Device 003: ID 1209:0003\n".encode("utf-16"), "UTF-16"),
        (b"\x7fELF\0\0\0", "binary"),
        (b" " * (16 * 2**20 + 1), "larger than"),
    ],
)
def test_files_of_another_kind(content: bytes, words: str, tmp_path: Path) -> None:
    path = tmp_path / "devices.txt"
    path.write_bytes(content)
    error = only_error(load_lsusb(path))
    assert words in error.message and "lsusb -v" in error.hint
    assert str(error).startswith(f"{path}:1:1: ")


def test_a_devices_own_words_are_made_printable() -> None:
    text = changed("1 Fenn Works", "1 Fenn\x1b[31m\u202eskroW" + "!" * 500)
    manufacturer = read_lsusb(text, "desk.txt").devices[0].manufacturer
    assert manufacturer.isprintable() and len(manufacturer) == 126


@settings(max_examples=200, deadline=None)
@given(st.data())
def test_lines_lost_or_doubled_never_crash_and_never_invent_a_device(data: st.DataObject) -> None:
    lines = list(LINES)
    for _ in range(data.draw(st.integers(1, 4))):
        position = data.draw(st.integers(0, len(lines) - 1))
        lines[position : position + 1] = data.draw(
            st.sampled_from(([], [lines[position]] * 2, [lines[position][:9], lines[position][9:]]))
        )
    reading = read_lsusb("\n".join(lines), "desk.txt")
    assert reading.devices or reading.errors
    for one in reading.devices:
        assert (one.vendor, one.product) in ((0x1209, 5), (0x1209, 1))
