"""What the page reads out of ``lsusb -v`` is what usb/lsusb.py reads: whole and broken texts."""

from __future__ import annotations

from pathlib import Path
from random import Random

from book_pages import Open

from seatwright.usb.lsusb import read_lsusb

SAMPLE = Path(__file__).parents[1] / "unit" / "usb_samples" / "desk.txt"
TEXT = SAMPLE.read_text(encoding="utf-8")
LINES = TEXT.split("\n")
BROKEN = 2_000
JUNK = ("", "  bDeviceClass 300", "Device Descriptor:", "x" * 300, "bcdDevice 1.1", "\u00e9: \x1c")

ASK = """(texts) => texts.map((text) => {
  const { devices, errors } = seatwright.readLsusb(text);
  return {
    devices: devices.map((one) => [
      one.vendor, one.product, one.bcdDevice, one.deviceClass, one.deviceSubclass,
      one.deviceProtocol, one.configured, one.interfaces,
    ]),
    lines: errors.map((error) => error.line),
  };
})"""


def ours(text: str) -> dict[str, object]:
    reading = read_lsusb(text, "desk.txt")
    devices = [one.device() for one in reading.devices]
    return {
        "devices": [
            [
                one.vendor, one.product, one.bcd_device, one.device_class, one.device_subclass,
                one.device_protocol, one.configured,
                [[each.usb_class, each.subclass, each.protocol] for each in one.interfaces],
            ]
            for one in devices
        ],
        "lines": [error.line for error in reading.errors],
    }  # fmt: skip


def broken(random: Random) -> str:
    """The sample with a few lines taken out, doubled, changed or replaced."""
    lines = list(LINES)
    for _ in range(random.randrange(1, 5)):
        at = random.randrange(len(lines))
        match random.randrange(5):
            case 0:
                del lines[at]
            case 1:
                lines.insert(at, lines[random.randrange(len(lines))])
            case 2:
                lines[at] = lines[at].replace("0", random.choice("19af "), 1)
            case 3:
                lines[at] = random.choice(JUNK)
            case _:
                lines[at] = "> " + lines[at] + "\r"
    return "\n".join(lines)


def test_whole_and_broken_texts_are_read_alike(demo: Path, open_book: Open) -> None:
    random = Random(20_261_126)
    texts = [
        TEXT,
        TEXT.replace("\n", "\r\n"),
        "",
        "nothing",
        *(broken(random) for _ in range(BROKEN)),
    ]
    page = open_book(demo)
    wrong = 0
    for text, theirs in zip(texts, page.evaluate(ASK, texts), strict=True):
        expected = ours(text)
        assert theirs == expected, text
        wrong += bool(expected["lines"])
    assert BROKEN // 4 < wrong < BROKEN  # both kinds, or the comparison would say little
