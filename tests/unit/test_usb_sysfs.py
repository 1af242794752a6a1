"""usb/sysfs.py and usb/descriptors.py: trees of invented devices, whole and broken.

Whole trees as libusb sees them are in tests/oracle/test_lsusb_real.py.
"""

from __future__ import annotations

import os
import struct
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from seatwright.usb.capture import CaptureError
from seatwright.usb.descriptors import read_descriptors
from seatwright.usb.device import Device, Interface
from seatwright.usb.sysfs import read_device, read_tree

CAMERA = Device(
    0x1209, 0x0007, 0x0210, 0xEF, 2, 1, interfaces=(Interface(14, 1, 0), Interface(1, 1, 0))
)
ATTRIBUTES = {
    "idVendor": "1209\n",
    "idProduct": "0007\n",
    "bcdDevice": "0210\n",
    "bDeviceClass": "ef\n",
    "bDeviceSubClass": "02\n",
    "bDeviceProtocol": "01\n",
    "bConfigurationValue": "1\n",
    "bNumInterfaces": " 2\n",
    "busnum": "1\n",
    "devnum": "12\n",
    "manufacturer": "Fenn\n",
    "product": "Camera \x1b[2J\n",
}
DESCRIPTORS = (
    struct.pack("<BBHBBBBHHHBBBB", 18, 1, 0x200, 0xEF, 2, 1, 64, 0x1209, 7, 0x210, 1, 2, 0, 1)
    + struct.pack("<BBHBBBBB", 9, 2, 9 + 8 + 4 * 9, 2, 1, 0, 0x80, 50)
    + bytes((8, 11, 0, 1, 14, 3, 0, 0))
    + bytes((9, 4, 0, 0, 0, 14, 1, 0, 0))
    + bytes((9, 4, 1, 0, 0, 1, 1, 0, 0))
    + bytes((9, 4, 1, 1, 0, 1, 2, 0, 0))
    + bytes((9, 4, 1, 2, 0, 1, 2, 0, 0))
)


@pytest.fixture
def camera(tmp_path: Path) -> Path:
    directory = tmp_path / "1-2.3"
    write(directory, ATTRIBUTES)
    for number, codes in enumerate((("0e", "01", "00"), ("01", "01", "00"))):
        write_interface(directory / f"1-2.3:1.{number}", number, codes)
    return directory


def write(directory: Path, attributes: dict[str, str]) -> None:
    directory.mkdir(exist_ok=True)
    for name, value in attributes.items():
        (directory / name).write_text(value)


def write_interface(directory: Path, number: int, codes: tuple[str, str, str]) -> None:
    names = ("bInterfaceClass", "bInterfaceSubClass", "bInterfaceProtocol")
    attributes = dict(zip(names, codes, strict=True))
    write(
        directory,
        {"bInterfaceNumber": f"{number:02x}\n", "bAlternateSetting": " 0\n", **attributes},
    )


def test_a_device_from_its_attributes(camera: Path) -> None:
    found = read_device(camera)
    assert found.device() == CAMERA
    assert (str(found.port), found.bus, found.address) == ("1-2.3", 1, 12)
    assert found.manufacturer == "Fenn" and found.title == "Camera \ufffd[2J"
    assert found.active_known


def test_descriptors_tell_the_alternate_settings(camera: Path) -> None:
    (camera / "descriptors").write_bytes(DESCRIPTORS)
    found = read_device(camera)
    configuration = found.configuration()
    assert found.device() == CAMERA and configuration is not None
    assert [(one.number, one.alternate) for one in configuration.alternates] == [(1, 1), (1, 2)]


def test_a_device_without_an_active_configuration(camera: Path) -> None:
    (camera / "bConfigurationValue").write_text("")
    for descriptors in (None, DESCRIPTORS):
        if descriptors:
            (camera / "descriptors").write_bytes(descriptors)
        found = read_device(camera)
        assert found.active is None
        assert not found.device().configured and found.device().interfaces == ()


def test_interfaces_beside_the_device_as_in_a_flat_copy(camera: Path) -> None:
    for path in camera.glob("1-2.3:*"):
        path.rename(camera.parent / path.name)
    write(camera.parent / "1-2", {**ATTRIBUTES, "bConfigurationValue": ""})
    assert read_device(camera).device() == CAMERA
    assert [str(one.port) for one in read_tree(camera.parent).devices] == ["1-2", "1-2.3"]


def test_a_renamed_copy_has_no_port_path(camera: Path) -> None:
    found = read_device(camera.rename(camera.parent / "camera"))
    assert found.device() == CAMERA and found.port is None


def test_a_nested_tree_with_links_that_lead_back_up(camera: Path, tmp_path: Path) -> None:
    write(camera / "1-2.3.1", {**ATTRIBUTES, "bNumInterfaces": " 1\n"})
    write_interface(camera / "1-2.3.1" / "1-2.3.1:1.0", 0, ("08", "06", "50"))
    (camera / "subsystem").symlink_to(tmp_path)
    (tmp_path / "again").symlink_to(camera)
    assert [str(one.port) for one in read_tree(tmp_path).devices] == ["1-2.3", "1-2.3.1"]


@pytest.mark.parametrize(
    ("name", "value", "words"),
    [
        ("idVendor", "0x1209\n", "idVendor is '0x1209', not a hexadecimal number"),
        ("idVendor", "", "idVendor is nothing"),
        ("bcdDevice", None, "bcdDevice is missing"),
        ("bDeviceClass", "zz\n", "bDeviceClass is 'zz'"),
        ("bConfigurationValue", "one\n", "not a decimal number"),
        ("bConfigurationValue", None, "bConfigurationValue is missing"),
        ("bConfigurationValue", "2\n", "2 interfaces are expected in configuration 2, 0 can"),
        ("bNumInterfaces", " 3\n", "3 interfaces are expected"),
        ("1-2.3:1.0/bInterfaceClass", "100\n", "bInterfaceClass is '100'"),
        ("1-2.3:1.1/bAlternateSetting", None, "bAlternateSetting is missing"),
    ],
)
def test_a_broken_attribute_is_named(
    camera: Path, name: str, value: str | None, words: str
) -> None:
    path = camera / name
    path.unlink() if value is None else path.write_text(value)
    error = only_error(camera.parent)
    assert words in error.message and "cp -r" in error.hint
    expected = camera if "expected" in words else path
    assert str(error).startswith(f"{expected}:1:1: ")


def only_error(directory: Path) -> CaptureError:
    reading = read_tree(directory)
    assert reading.devices == () and len(reading.errors) == 1
    return reading.errors[0]


def test_what_is_no_device(tmp_path: Path) -> None:
    assert "no device stands" in only_error(tmp_path).message
    assert "no device stands" in only_error(tmp_path / "missing").message
    with pytest.raises(CaptureError, match="no directory"):
        read_device(tmp_path / "missing")


def test_a_pipe_in_a_foreign_copy_is_not_waited_for(camera: Path) -> None:
    (camera / "idProduct").unlink()
    os.mkfifo(camera / "idProduct")
    assert "idProduct is missing" in only_error(camera.parent).message


def test_descriptors_of_another_device_are_refused(camera: Path) -> None:
    (camera / "descriptors").write_bytes(DESCRIPTORS.replace(b"\x07\0\x10\x02", b"\x08\0\x10\x02"))
    assert "those of 1209:0008" in only_error(camera.parent).message
    (camera / "descriptors").write_bytes(DESCRIPTORS)
    (camera / "bConfigurationValue").write_text("4\n")
    assert "no such one" in only_error(camera.parent).message


@pytest.mark.parametrize("length", range(len(DESCRIPTORS)))
def test_descriptors_cut_off_anywhere_are_refused(length: int) -> None:
    if length in (len(DESCRIPTORS) - 9, len(DESCRIPTORS) - 18):
        # Only alternate settings are lost, which no count announces and no filter looks at.
        assert read_descriptors(DESCRIPTORS[:length], "descriptors").configurations
    else:
        with pytest.raises(CaptureError, match="descriptors: byte"):
            read_descriptors(DESCRIPTORS[:length], "descriptors")


@given(st.integers(0, len(DESCRIPTORS) - 1), st.integers(0, 255))
def test_a_changed_byte_never_crashes(position: int, value: int) -> None:
    data = bytearray(DESCRIPTORS)
    data[position] = value
    try:
        read_descriptors(bytes(data), "descriptors")
    except CaptureError as error:
        assert error.line == 0 and 0 <= error.column < len(DESCRIPTORS)
