"""survey/: the script and the verb on a /sys that umockdev plays to unmodified programs.

Source: umockdev (Debian), whose testbed looks like the kernel's /sys to what runs in it: its own
class and bus folders, its own links.  Devices are invented.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

import pytest
from mock_bus import run_on_bus

import seatwright
from played import ADAPTER, RIDGE, Client, Usb, device_place, hub, interface_name, lay_out
from seatwright.survey.here import Places, look_here
from seatwright.survey.look import read_look
from seatwright.survey.script import SCRIPT
from seatwright.survey.ways import ways

GENERATOR = Path(seatwright.__file__).parents[1]


def description(client: Client) -> str:
    """The client as umockdev-run reads it."""
    parts = [part for usb in client.usb for part in usb_parts(usb)]
    for name, on, _, attributes in client.nets:
        above = f"/{device_place(on)}/{on}:1.0" if on else "/devices/virtual"
        lines = [f"P: {above}/net/{name}", "E: SUBSYSTEM=net", f"E: INTERFACE={name}"]
        lines += [f"A: {key}={text}\\n" for key, text in {"ifindex": "4", **attributes}.items()]
        lines += [f"L: device=../../../{on}:1.0"] if on else []
        parts.append("\n".join(lines) + "\n")
    return "\n".join(parts)


def usb_parts(usb: Usb) -> list[str]:
    vendor, product = usb.id.split(":")
    attributes = {
        "busnum": usb.name.removeprefix("usb")[0],
        "devnum": "3",
        "idVendor": vendor,
        "idProduct": product,
        "bcdDevice": usb.bcd,
        "bDeviceClass": usb.device_class,
        "bDeviceSubClass": "00",
        "bDeviceProtocol": "00",
        "bConfigurationValue": "1",
        "bNumInterfaces": f" {len(usb.interfaces)}",
        "speed": usb.speed,
        "maxchild": str(usb.children),
        "removable": usb.removable,
    }
    head = [f"P: /{device_place(usb.name)}", "E: SUBSYSTEM=usb", "E: DEVTYPE=usb_device"]
    parts = ["\n".join([*head, *(f"A: {key}={text}\\n" for key, text in attributes.items())])]
    for number, codes in enumerate(usb.interfaces):
        name = interface_name(usb, number)
        lines = [
            f"P: /{device_place(usb.name)}/{name}",
            "E: SUBSYSTEM=usb\nE: DEVTYPE=usb_interface",
            f"A: bInterfaceNumber={number:02x}\\n\nA: bAlternateSetting= 0\\n",
            f"A: bInterfaceClass={codes[0]}\\n\nA: bInterfaceSubClass={codes[1]}\\n",
            f"A: bInterfaceProtocol={codes[2]}\\n",
        ]
        parts.append("\n".join(lines))
    return [f"{part}\n" for part in parts]


@pytest.fixture
def proc(tmp_path: Path) -> Path:
    """Routes and mounts, which umockdev does not play."""
    return lay_out(RIDGE, tmp_path / "plain").parent / "proc"


def test_the_script_sees_in_the_testbed_what_it_sees_in_plain_folders(
    tmp_path: Path, proc: Path
) -> None:
    (tmp_path / "look.sh").write_text(SCRIPT)
    printed = run_on_bus(description(RIDGE), tmp_path, f"sh look.sh /sys {proc}")
    seen = read_look(printed, "mocked")
    plain = look_here(Places(str(proc.parent / "sys"), str(proc)))

    def known(device: object) -> tuple[object, ...]:
        keys = ("name", "id", "bcd_device", "speed", "children", "removable", "device_class")
        return tuple(getattr(device, key) for key in keys)

    assert [known(one) for one in seen.devices] == [known(one) for one in plain.devices]
    assert [[each.codes for each in one.interfaces] for one in seen.devices] == [
        [each.codes for each in one.interfaces] for one in plain.devices
    ]
    assert ways(seen).on_usb == ways(plain).on_usb
    assert [str(one.port) for one in ways(seen).on_usb] == [ADAPTER.name]


def test_the_verb_surveys_the_machine_it_runs_on(tmp_path: Path) -> None:
    """In the testbed the program itself runs, with the routes of the real machine."""
    played = Client(usb=(hub("usb1", 4), hub("1-1"), Usb("1-1.2", "1209:000b", removable="fixed")))
    command = f"PYTHONPATH={GENERATOR} {sys.executable} -m seatwright survey --json"
    found = json.loads(run_on_bus(description(played), tmp_path, command))
    onboard = [(one["name"], one["sure"], one["reasons"]) for one in found["devices"]]
    assert onboard == [
        ("usb1", True, ["it is a root hub"]),
        ("1-1", True, ["it is a hub, and 1-1.2 is behind it"]),
        ("1-1.2", True, ["the firmware marks it as fixed"]),
    ]
