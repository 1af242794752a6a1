"""survey/: what a client lives on, on played clients of many shapes, read by the real script.

Shapes of /sys and /proc: Linux Documentation/ABI (sysfs-bus-usb, sysfs-class-net, sysfs-block),
Documentation/filesystems/overlayfs.rst, proc(5).
"""

from __future__ import annotations

import re
from dataclasses import replace
from ipaddress import ip_address
from pathlib import Path

import pytest

from played import (
    ADAPTER,
    ALL_LETTERS,
    CARDS,
    DEFAULT,
    KEYBOARD,
    MOUSE,
    RIDGE,
    ROOT_HUBS,
    STORAGE,
    Client,
    Usb,
    hub,
    lay_out,
    mount,
)
from seatwright.survey.here import Places, look_here
from seatwright.survey.onboard import Knowledge, Standing, networked, standings
from seatwright.survey.seen import Look
from seatwright.survey.ways import ways

WIRED = ("eth0", None, (), {})
STICK = Usb("1-2", "1209:000b")
SD = "8:2"


def look(client: Client, root: Path) -> Look:
    return look_here(Places.of(str(lay_out(client, root))))


def on_usb(client: Client, root: Path) -> list[tuple[str, str, str]]:
    found = ways(look(client, root)).on_usb
    return [(str(one.port), one.carries, one.reason if one.sure else "?") for one in found]


def client(**parts: object) -> Client:
    return Client(**{"usb": (*ROOT_HUBS, STICK), "routes": (("eth0", *DEFAULT, 0),), **parts})  # type: ignore[arg-type]


NETWORKS = {
    "by itself": ((("eth0", "1-2", (), {}),), "eth0"),
    "under a bridge": ((("br0", None, ("eth0",), {}), ("eth0", "1-2", (), {})), "br0"),
    "under a VLAN": ((("eth0.7", None, ("eth0",), {}), ("eth0", "1-2", (), {})), "eth0.7"),
    "in a bond": (
        (("bond0", None, ("eth0", "eth1"), {}), ("eth0", None, (), {}), ("eth1", "1-2", (), {})),
        "bond0",
    ),
    "three deep": (
        (
            ("br0", None, ("bond0.7",), {}),
            ("bond0.7", None, ("bond0",), {}),
            ("bond0", None, ("eth0",), {}),
            ("eth0", "1-2", (), {}),
        ),
        "br0",
    ),
    "wireless": ((("wlan0", "1-2", (), {"wireless": ""}),), "wlan0"),
    "in a circle": (
        (("br0", None, ("br1", "eth0"), {}), ("br1", None, ("br0",), {}), ("eth0", "1-2", (), {})),
        "br0",
    ),
}


@pytest.mark.parametrize("shape", NETWORKS)
def test_the_adapter_on_the_way_is_found(shape: str, tmp_path: Path) -> None:
    nets, top = NETWORKS[shape]
    found = on_usb(client(nets=nets, routes=((top, *DEFAULT, 0),)), tmp_path)
    assert [(port, carries) for port, carries, _ in found] == [("1-2", "network")]
    assert found[0][2].startswith(f"the default route leads over {top}")
    assert ("wireless" in found[0][2]) is (shape == "wireless")


def test_a_route_of_ipv6_alone_counts(tmp_path: Path) -> None:
    sys = lay_out(client(nets=(("eth0", "1-2", (), {}),), routes=()), tmp_path)
    zero, hop = "0" * 32, "fe80" + "0" * 27 + "1"
    lines = [
        f"{zero} 00 {zero} 00 {hop} 00000400 00000003 00000000 00000003     eth0\n",
        f"{zero} 00 {zero} 00 {zero} ffffffff 00000001 00000000 00200200       lo\n",
    ]
    (tmp_path / "proc/net/ipv6_route").write_text("".join(lines))
    found = ways(look_here(Places.of(str(sys))))
    assert [str(one.port) for one in found.on_usb] == ["1-2"] and found.lost == ()


def test_the_route_to_the_host_counts_beside_the_default_one(tmp_path: Path) -> None:
    nets = (WIRED, ("eth1", "1-2", (), {}))
    routes = (("eth0", *DEFAULT, 0), ("eth1", "192.0.2.0", "255.255.255.0", 5))
    seen = look(client(nets=nets, routes=routes), tmp_path)
    assert ways(seen).on_usb == ()
    (found,) = ways(seen, [ip_address("192.0.2.9")]).on_usb
    assert found.reason == "the route to 192.0.2.9 leads over eth1" and found.sure
    assert ways(seen, [ip_address("192.0.3.9"), ip_address("2001:db8::1")]).on_usb == ()
    (over,) = ways(replace(seen, peer=ip_address("192.0.2.9"))).on_usb
    assert over.reason == "the connection of this survey leads over eth1"


def test_without_a_route_every_adapter_may_be_the_one(tmp_path: Path) -> None:
    seen = look(client(nets=(("eth0", "1-2", (), {}),), routes=()), tmp_path)
    found = ways(seen)
    assert [(str(one.port), one.sure) for one in found.on_usb] == [("1-2", False)]
    assert found.lost == ("no route leads anywhere",)
    assert networked(Knowledge(seen, found)) == ("usb", False)


DISKS = {
    "a partition": ((("sda2", SD, "1-2", (), {}),), (mount(SD, "/", "ext4", "/dev/sda2"),)),
    "LVM on crypt": (
        (
            ("dm-1", "253:1", None, ("dm-0",), {"dm/name": "vg-root"}),
            ("dm-0", "253:0", None, ("sda2",), {"dm/name": "safe"}),
            ("sda2", SD, "1-2", (), {}),
        ),
        (mount("253:1", "/", "ext4", "/dev/mapper/vg-root"),),
    ),
    "RAID": (
        (
            ("md0", "9:0", None, ("sda1", "nvme0n1p1"), {}),
            ("sda1", "8:1", "1-2", (), {}),
            ("nvme0n1p1", "259:1", None, (), {}),
        ),
        (mount("9:0", "/", "xfs", "/dev/md0"),),
    ),
    "overlay": (
        (("sda2", SD, "1-2", (), {}),),
        (
            mount(SD, "/media/root-ro", "ext4", "/dev/sda2", "ro"),
            mount("0:31", "/media/root-rw", "tmpfs", "tmpfs"),
            mount(
                "0:32",
                "/",
                "overlay",
                "overlay",
                "rw,lowerdir=/media/root-ro,upperdir=/media/root-rw/o,workdir=/media/root-rw/w",
            ),
        ),
    ),
    "overlay of a loop": (
        (
            ("sda1", "8:1", "1-2", (), {}),
            ("loop0", "7:0", None, (), {"loop/backing_file": "/run/live/medium/live/fs.squashfs"}),
        ),
        (
            mount("8:1", "/run/live/medium", "vfat", "/dev/sda1", "ro"),
            mount("7:0", "/run/live/rootfs/fs.squashfs", "squashfs", "/dev/loop0", "ro"),
            mount(
                "0:32",
                "/",
                "overlay",
                "overlay",
                "rw,lowerdir=/run/live/rootfs/fs.squashfs/,upperdir=/run/live/overlay/rw",
            ),
            mount("0:33", "/run/live/overlay", "tmpfs", "tmpfs"),
        ),
    ),
    "btrfs": (
        (("sda2", SD, "1-2", (), {}),),
        (mount("0:27", "/", "btrfs", "/dev/sda2", "rw,subvol=/@"),),
    ),
    "a path with a blank": (
        (("sda2", SD, "1-2", (), {}),),
        (
            mount(SD, "/media/my\\040disk", "ext4", "/dev/sda2"),
            mount("0:32", "/", "overlay", "overlay", "rw,lowerdir=/media/my\\040disk/root"),
        ),
    ),
}


@pytest.mark.parametrize("shape", DISKS)
def test_the_disk_of_the_root_file_system_is_found(shape: str, tmp_path: Path) -> None:
    blocks, mounts = DISKS[shape]
    found = on_usb(client(nets=(WIRED,), blocks=blocks, mounts=mounts), tmp_path)
    assert [(port, carries) for port, carries, _ in found] == [("1-2", "disk")]
    assert found[0][2].startswith("the root file system is on ")


def test_a_pool_over_two_disks_has_both(tmp_path: Path) -> None:
    played = client(
        usb=(*ROOT_HUBS, STICK, replace(STICK, name="1-3")),
        nets=(WIRED,),
        blocks=(("sda", "8:0", "1-2", (), {}), ("sdb", "8:16", "1-3", (), {})),
        mounts=(mount("0:27", "/", "btrfs", "/dev/sda"),),
    )
    sys = lay_out(played, tmp_path)
    for name in ("sda", "sdb"):
        (sys / "fs/btrfs/6c1b/devices" / name).mkdir(parents=True)
    found = ways(look_here(Places.of(str(sys)))).on_usb
    assert [(str(one.port), one.carries) for one in found] == [("1-2", "disk"), ("1-3", "disk")]


def test_somebodys_drive_is_not_the_clients_disk(tmp_path: Path) -> None:
    blocks = (("mmcblk0p2", "179:2", None, (), {}), ("sda1", "8:1", "1-2", (), {}))
    mounts = (
        mount("179:2", "/", "ext4", "/dev/mmcblk0p2"),
        mount("8:1", "/media/reader", "vfat", "/dev/sda1"),
    )
    assert on_usb(client(nets=(WIRED,), blocks=blocks, mounts=mounts), tmp_path) == []


def test_swap_and_boot_on_usb_count_and_a_lost_layer_is_said(tmp_path: Path) -> None:
    blocks = (("sda1", "8:1", "1-2", (), {}), ("sda2", "8:2", "1-2", (), {}))
    mounts = (mount("8:1", "/boot/firmware", "vfat", "/dev/sda1"),)
    played = client(nets=(WIRED,), blocks=blocks, mounts=mounts, swaps=("/dev/sda2",))
    assert [reason for _, _, reason in on_usb(played, tmp_path / "a")] == [
        "/boot/firmware is on sda1",
        "the system swaps to sda2",
    ]
    hidden = (
        mount("8:1", "/somewhere", "ext4", "/dev/sda1"),
        mount("0:32", "/", "overlay", "overlay", "rw,lowerdir=/gone,upperdir=/gone2"),
    )
    seen = ways(look(client(nets=(WIRED,), blocks=blocks, mounts=hidden), tmp_path / "b"))
    assert [(one.carries, one.sure) for one in seen.on_usb] == [("disk", False)]
    assert seen.lost[0] == "/ is an overlay of /gone, which no mount has"


KEYS = {"name": "Fenn Keyboard", "capabilities/key": f"3 0 {ALL_LETTERS}"}
BUTTONS = {"name": "Volume", "capabilities/key": "3 0 1000000000000"}
POINTING = {"name": "Fenn Mouse", "capabilities/rel": "143", "capabilities/key": "70000 0 0 0 0"}
TABLET = {"name": "Fenn Tablet", "capabilities/rel": "100", "capabilities/abs": "3"}


def keyboards(*places: str) -> Client:
    usb = tuple(Usb(place, "1209:000d", (KEYBOARD, MOUSE)) for place in places)
    inputs = [(f"input{number}", place, KEYS) for number, place in enumerate(places)]
    return client(usb=(*ROOT_HUBS, *usb), nets=(WIRED,), inputs=inputs)


def test_the_only_keyboard_is_in_use_and_one_of_two_may_be(tmp_path: Path) -> None:
    assert on_usb(keyboards("1-2"), tmp_path / "1") == [("1-2", "input", "it is the only keyboard")]
    assert on_usb(keyboards("1-2", "1-3"), tmp_path / "2") == [
        ("1-2", "input", "?"),
        ("1-3", "input", "?"),
    ]


def test_of_two_keyboards_the_one_that_a_program_has_open_is_in_use(tmp_path: Path) -> None:
    seen = look(keyboards("1-2", "1-3"), tmp_path)
    inputs = tuple(replace(one, open=one.name == "input1") for one in seen.inputs)
    (found,) = ways(replace(seen, inputs=inputs)).on_usb
    assert (str(found.port), found.sure) == ("1-3", True)


@pytest.mark.parametrize("pointing", [POINTING, TABLET])
def test_buttons_are_no_keyboard_and_a_mouse_is_a_pointer(
    pointing: dict[str, str], tmp_path: Path
) -> None:
    inputs = (("input0", "1-2", BUTTONS), ("input1", "1-2", pointing))
    found = on_usb(client(nets=(WIRED,), inputs=inputs), tmp_path)
    assert found == [("1-2", "input", "it is the only pointer")]


def standing(client: Client, root: Path, bare: Client | None = None) -> dict[str, Standing]:
    seen = look(client, root)
    without = look(bare, root / "bare") if bare else None
    found = standings(Knowledge(seen, ways(seen), without))
    return {one.device.name: one for one in found}


def test_each_reason_of_an_onboard_device(tmp_path: Path) -> None:
    extra = (
        Usb("1-4", "1209:000c", (CARDS,), removable="fixed"),
        Usb("1-2", "1209:000b", removable="removable"),
        Usb("2-3.3", "1209:0004"),
        hub("1-1"),
    )
    found = standing(replace(RIDGE, usb=(*RIDGE.usb, *extra)), tmp_path)
    assert {name: (one.onboard, one.sure, one.reasons) for name, one in found.items()} == {
        "usb1": (True, True, ("it is a root hub",)),
        "usb2": (True, True, ("it is a root hub",)),
        "1-1": (True, False, ("it is a hub, perhaps one that was plugged in",)),
        "1-2": (False, True, ("the firmware says that it can be taken out",)),
        "1-4": (True, True, ("the firmware marks it as fixed",)),
        "2-3": (True, True, ("it is a hub, and 2-3.4.2 is behind it",)),
        "2-3.3": (False, False, ("nothing tells whether it is part of the client",)),
        "2-3.4": (True, True, ("it is a hub, and 2-3.4.2 is behind it",)),
        "2-3.4.2": (True, True, ("the default route leads over eth0",)),
    }


def test_two_captures_tell_what_was_plugged_in(tmp_path: Path) -> None:
    keyboard = Usb("1-3", "1209:000d", (KEYBOARD,))
    camera = Usb("1-4", "1209:000c", (("0e", "01", "00", "uvcvideo"),))
    plugged = replace(
        RIDGE,
        usb=(*RIDGE.usb, camera, keyboard, hub("1-2"), Usb("1-2.1", "1209:000b")),
        inputs=(("input0", "1-3", KEYS),),
    )
    found = standing(plugged, tmp_path, replace(RIDGE, usb=(*RIDGE.usb, camera)))
    assert found["1-4"].reasons == ("it is there when nothing is plugged in",)
    assert (found["1-4"].onboard, found["1-4"].sure) == (True, True)
    for name in ("1-2", "1-2.1"):
        assert (found[name].onboard, found[name].sure) == (False, True)
    assert (found["1-3"].onboard, found["1-3"].sure) == (False, False)
    assert "plugged in" in found["1-3"].reasons[-1]
    assert found["2-3.4.2"].carries == "network"


def test_another_device_in_the_same_place_was_plugged_in(tmp_path: Path) -> None:
    before = replace(RIDGE, usb=(*RIDGE.usb, Usb("1-2", "1209:0009")))
    found = standing(replace(RIDGE, usb=(*RIDGE.usb, STICK)), tmp_path, before)
    assert (found["1-2"].onboard, found["1-2"].sure) == (False, True)


def test_a_device_without_configuration_and_with_every_speed_is_read(tmp_path: Path) -> None:
    usb = [replace(STICK, name=f"1-{n}", speed=s) for n, s in enumerate(("1.5", "12", "20000"), 1)]
    sys = lay_out(client(usb=(*ROOT_HUBS, *usb), nets=(WIRED,)), tmp_path)
    (sys / "bus/usb/devices/1-1/bConfigurationValue").write_text("")
    seen = look_here(Places.of(str(sys)))
    assert [one.speed for one in seen.devices[2:]] == ["1.5", "12", "20000"]
    assert seen.devices[2].active is None and seen.devices[2].interfaces == ()
    assert seen.devices[3].interfaces[0].driver == STORAGE[3] and seen.unreadable == ()


def test_a_bus_with_127_devices_in_every_tier(tmp_path: Path) -> None:
    """USB 2.0, 4.1.1 and 9.4.6: 127 addresses, six ports deep; the kernel's 31 ports a hub."""
    hubs = ["1-1", "1-1.1", "1-1.1.1", "1-1.1.1.1", "1-1.1.1.1.1"]
    leaves = [f"{hubs[n % 5]}.{2 + n // 5}" for n in range(121)]
    usb = (*(hub(name, 31) for name in hubs), *(Usb(name) for name in leaves))
    seen = look(client(usb=(hub("usb1", 31), *usb), nets=(WIRED,)), tmp_path)
    assert len(seen.devices) == 127 and seen.unreadable == () and seen.changed == ()
    assert [str(one.port) for one in seen.devices if one.hub and one.port] == hubs


def test_the_adapter_of_the_demo_is_where_the_model_says(tmp_path: Path) -> None:
    assert on_usb(RIDGE, tmp_path) == [
        (ADAPTER.name, "network", "the default route leads over eth0")
    ]


LISTING = """\
T:  Bus=00 Lev=00 Prnt=00 Port=00 Cnt=00 Dev#=  1 Spd=12   MxCh= 2
D:  Ver= 1.00 Cls=09(hub  ) Sub=00 Prot=00 MxPS= 8 #Cfgs=  1
P:  Vendor=0000 ProdID=0000 Rev= 0.00
I:  If#= 0 Alt= 0 #EPs= 1 Cls=09(hub  ) Sub=00 Prot=00 Driver=hub
T:  Bus=00 Lev=01 Prnt=01 Port=00 Cnt=01 Dev#=  2 Spd=12   MxCh= 4
D:  Ver= 1.00 Cls=09(hub  ) Sub=00 Prot=00 MxPS= 8 #Cfgs=  1
P:  Vendor=0451 ProdID=1446 Rev= 1.00
I:  If#= 0 Alt= 0 #EPs= 1 Cls=09(hub  ) Sub=00 Prot=00 Driver=hub
T:  Bus=00 Lev=02 Prnt=02 Port=00 Cnt=01 Dev#=  3 Spd=1.5  MxCh= 0
D:  Ver= 1.00 Cls=00(>ifc ) Sub=00 Prot=00 MxPS= 8 #Cfgs=  1
P:  Vendor=04b4 ProdID=0001 Rev= 0.00
I:  If#= 0 Alt= 0 #EPs= 1 Cls=03(HID  ) Sub=01 Prot=02 Driver=mouse
T:  Bus=00 Lev=02 Prnt=02 Port=02 Cnt=02 Dev#=  4 Spd=12   MxCh= 0
D:  Ver= 1.00 Cls=00(>ifc ) Sub=00 Prot=00 MxPS= 8 #Cfgs=  1
P:  Vendor=0565 ProdID=0001 Rev= 1.08
I:  If#= 0 Alt= 0 #EPs= 3 Cls=00(>ifc ) Sub=00 Prot=00 Driver=serial
"""
"""Linux Documentation/driver-api/usb/usb.rst, the example of /sys/kernel/debug/usb/devices: its
topology, ids and classes, from memory; strings and endpoints are left out."""


def listed(text: str) -> list[Usb]:
    """The devices of such a listing; its buses count from 0 and its ports, too."""
    devices: list[Usb] = []
    names: dict[str, str] = {}
    for block in text.split("T:")[1:]:
        values = dict(re.findall(r"(\w[\w#]*)=\s*([0-9a-f.]+)", block.replace("If#", "If")))
        classes = re.findall(r"I:.*Cls=(\w\w).*Sub=(\w\w) Prot=(\w\w) Driver=(\w+)", block)
        above = names.get(values["Prnt"], "")
        port = int(values["Port"]) + 1
        name = "usb1" if not above else f"1-{port}" if above == "usb1" else f"{above}.{port}"
        names[f"{int(values['Dev#']):02}"] = name
        own = re.search(r"D:.*Cls=(\w\w)", block)
        assert own is not None
        devices.append(
            Usb(
                name,
                f"{values['Vendor']}:{values['ProdID']}",
                tuple(classes),
                own[1],
                values["Rev"].replace(".", "").zfill(4),
                values["Spd"],
                int(values["MxCh"]),
            )
        )
    return devices


def test_the_kernels_own_example_is_understood(tmp_path: Path) -> None:
    devices = listed(LISTING)
    mouse = ("input0", "1-1.1", POINTING)
    played = Client(usb=devices, inputs=(mouse,), nets=(WIRED,), routes=(("eth0", *DEFAULT, 0),))
    found = standing(played, tmp_path)
    assert {name: (one.onboard, one.sure, one.carries) for name, one in found.items()} == {
        "usb1": (True, True, ""),
        "1-1": (True, True, ""),
        "1-1.1": (True, True, "input"),
        "1-1.3": (False, False, ""),
    }
    assert [one.device.speed for one in found.values()] == ["12", "12", "1.5", "12"]
    assert [one.device.bcd_device for one in found.values()] == [0, 0x100, 0, 0x108]
