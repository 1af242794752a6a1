"""usb/lsusb.py, usb/descriptors.py and usb/sysfs.py against the real lsusb (usbutils, libusb) that
looks at invented devices on a mock bus (umockdev).
"""

from __future__ import annotations

import pickle
import sys
from dataclasses import replace
from pathlib import Path
from random import Random

import pytest
from mock_bus import description, descriptors, invented_device, run_on_bus

import seatwright
from seatwright.usb.capture import CapturedDevice
from seatwright.usb.descriptors import read_descriptors
from seatwright.usb.lsusb import read_lsusb
from seatwright.usb.sysfs import read_tree

SEED = 20_240_302
DEVICES = 24


@pytest.fixture(scope="module")
def devices() -> list[CapturedDevice]:
    random = Random(SEED)
    return [invented_device(random, address) for address in range(1, DEVICES + 1)]


@pytest.fixture(scope="module")
def printed(devices: list[CapturedDevice], tmp_path_factory: pytest.TempPathFactory) -> str:
    return run_on_bus(description(devices), tmp_path_factory.mktemp("bus"), "lsusb -v")


def plain(device: CapturedDevice) -> CapturedDevice:
    """What both ways of reading can know."""
    return replace(device, file="", line=0, port=None, active_known=True)


def by_address(device: CapturedDevice) -> int:
    assert device.address is not None
    return device.address


def test_lsusb_text_gives_the_devices_back(devices: list[CapturedDevice], printed: str) -> None:
    reading = read_lsusb(printed, "lsusb.txt")
    assert reading.errors == ()
    found = sorted(reading.devices, key=by_address)
    assert [plain(one) for one in found] == [plain(one) for one in devices]


def test_a_copy_of_the_sysfs_tree_gives_the_devices_back(
    devices: list[CapturedDevice], tmp_path: Path
) -> None:
    run_on_bus(description(devices), tmp_path, "cp -r /sys/devices copy")
    reading = read_tree(tmp_path / "copy")
    assert reading.errors == ()
    found = sorted(reading.devices, key=by_address)
    assert [replace(one, file="", line=0) for one in found] == devices
    for path in (tmp_path / "copy").rglob("descriptors"):
        path.unlink()
    seen = {by_address(one): one.device() for one in read_tree(tmp_path / "copy").devices}
    assert seen == {by_address(one): one.device() for one in devices}


def test_the_live_tree_of_links_gives_the_devices_back(
    devices: list[CapturedDevice], tmp_path: Path
) -> None:
    program = (
        "import sys, pathlib, pickle; from seatwright.usb.sysfs import read_tree;"
        "pickle.dump(read_tree(pathlib.Path('/sys/bus/usb/devices')), open('reading', 'wb'))"
    )
    generator = Path(seatwright.__file__).parents[1]
    run_on_bus(
        description(devices), tmp_path, f'PYTHONPATH={generator} {sys.executable} -c "{program}"'
    )
    reading = pickle.loads((tmp_path / "reading").read_bytes())
    found = sorted(reading.devices, key=by_address)
    assert [replace(one, file="", line=0) for one in found] == devices


def test_descriptors_give_the_devices_back(devices: list[CapturedDevice]) -> None:
    for device in devices:
        found = read_descriptors(descriptors(device), "descriptors")
        assert found.configurations == device.configurations
        assert (found.vendor, found.product) == (device.vendor, device.product)


def test_errors_mixed_into_the_text_do_no_harm(
    devices: list[CapturedDevice], tmp_path: Path
) -> None:
    """``lsusb -v > file 2>&1``; line-buffered, so that messages stand between lines."""
    text = run_on_bus(description(devices[:5]), tmp_path, "stdbuf -oL lsusb -v 2>&1")
    assert "can't get" in text
    found = sorted(read_lsusb(text, "lsusb.txt").devices, key=by_address)
    assert [plain(one) for one in found] == [plain(one) for one in devices[:5]]


@pytest.mark.parametrize(
    "title",
    [
        "Stick\n  idVendor           0x1209",
        "Stick\n  bDeviceClass            8 Mass Storage",
        "Stick\n\nBus 001 Device 001: ID 1209:0003 Reader",
        "Stick\nDevice Descriptor:\n  idVendor 0x1209",
    ],
)
def test_a_device_that_forges_lines_is_refused(title: str, tmp_path: Path) -> None:
    """A string descriptor may hold line breaks, and lsusb prints them as they are."""
    device = replace(invented_device(Random(SEED), 1), title=title)
    text = run_on_bus(description([device]), tmp_path, "lsusb -v")
    assert title in text
    reading = read_lsusb(text, "lsusb.txt")
    assert reading.errors and reading.devices == ()
