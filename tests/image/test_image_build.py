"""Building: the same bytes from the same inputs, the last image kept, bad input refused."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import pickle
import random
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from conftest import ROOT, again
from seatwright.image.build import Order, build, differences
from seatwright.image.errors import ImageError
from seatwright.image.filesystem import MIB
from seatwright.image.manifest import digest_of, verify
from support.small_image import run


def quiet(text: str) -> None:
    """Nobody reads."""


BUILD = """
import pickle, sys
from seatwright.image.build import build
from seatwright.image.errors import ImageError
try:
    build(pickle.load(open(sys.argv[1], "rb")), lambda text: print(text, flush=True))
except ImageError as error:
    sys.exit(f"{error} {error.hint}")
"""


def builder(order: Order, place: Path, *before: str) -> subprocess.Popen[str]:
    """A build in a process of its own, with words before the command."""
    wanted = place / "order"
    wanted.write_bytes(pickle.dumps(order))
    argv = [*before, sys.executable, "-c", BUILD, str(wanted)]
    return subprocess.Popen(
        argv,
        env={**os.environ, "PYTHONPATH": str(ROOT / "generator")},
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        start_new_session=True,
    )


ANOTHER_DAY = ("faketime", "-f", "+400d")


STAGES = {
    "Asking the roles": signal.SIGTERM,
    "Provisioning": signal.SIGTERM,
    "Making the root": signal.SIGKILL,
    "Putting the image together": signal.SIGKILL,
}
"""What a build says when it begins something, and how it is ended then."""


@pytest.mark.parametrize(
    "stages",
    [
        pytest.param(("Provisioning", "Making the root"), id="some"),
        pytest.param(tuple(STAGES), id="all", marks=pytest.mark.long),
    ],
)
def test_a_killed_build_leaves_the_last_image_and_the_next_is_the_same_bit_for_bit(
    image: Path, order: Order, tmp_path: Path, stages: tuple[str, ...]
) -> None:
    """Killed at one stage after the other, then built to its end, all on another day."""
    target = tmp_path / "tarn"
    shutil.copytree(image.parent, target)
    (target / "tarn.img.sha256").write_text("the last one\n")
    other = replace(again(order, tmp_path), target=target)
    for stage in stages:
        killed = builder(other, tmp_path, *ANOTHER_DAY)
        assert killed.stdout
        assert any(stage in line for line in killed.stdout), stage
        time.sleep(random.uniform(0.1, 1.5))
        os.kill(child_of(killed.pid), STAGES[stage])  # the others have to notice by themselves
        killed.wait()
        nothing_is_left_running(other.cache)
        assert (target / "tarn.img.sha256").read_text() == "the last one\n"
    finished = builder(other, tmp_path, *ANOTHER_DAY)
    said, _ = finished.communicate()
    shutil.rmtree(tmp_path / "cache")
    assert finished.returncode == 0, said
    assert "It is bit for bit the image that was there." in said
    assert differences(image.parent, target) == []
    assert digest_of(target / "tarn.img") == digest_of(image)


def child_of(pid: int) -> int:
    """The one process that a process has started: faketime stays and waits for what it runs."""
    (child,) = Path(f"/proc/{pid}/task/{pid}/children").read_text().split()
    return int(child)


@pytest.mark.parametrize("way", [signal.SIGTERM, signal.SIGKILL])
def test_whoever_ends_image_from_outside_ends_all_that_it_started(
    order: Order, tmp_path: Path, way: signal.Signals
) -> None:
    """While mmdebstrap unpacks a base: packages are being installed, and /proc is mounted in it."""
    cache = tmp_path / "cache"
    argv = [sys.executable, "-m", "seatwright", "image", "tarn", str(order.site), "--renew"]
    process = subprocess.Popen(
        [*argv, "--output", str(tmp_path / "tarn")],
        env={
            **os.environ,
            "PYTHONPATH": str(ROOT / "generator"),
            "SEATWRIGHT_CACHE": str(cache),
        },
        stderr=subprocess.PIPE,
        text=True,
    )
    recorded = order.site / "images/bookworm-amd64.packages"
    before = recorded.read_text()
    until = time.monotonic() + 120
    while not any("/proc " in one for one in mounts_below(cache)):
        assert process.poll() is None and time.monotonic() < until
        time.sleep(0.1)
    process.send_signal(way)
    _, said = process.communicate(timeout=30)
    nothing_is_left_running(cache)
    assert not (tmp_path / "tarn").exists()
    assert recorded.read_text() == before
    if way == signal.SIGTERM:
        assert process.returncode == 130, said
        assert [one for one in (cache / "images/bases").iterdir() if one.is_dir()] == []


def nothing_is_left_running(place: Path) -> None:
    """No process has a word of it on its command line, nor a mount below it, a moment later."""
    until = time.monotonic() + 30  # what holds a large mount takes its time to end
    while left := [*mounts_below(place), *processes_about(place)]:
        assert time.monotonic() < until, left
        time.sleep(0.1)


def mounts_below(place: Path) -> list[str]:
    """Everything mounted there in the namespace of any process (proc_pid_mountinfo(5))."""
    return [line for line in everywhere("mountinfo") if f" {place}/" in line]


def processes_about(place: Path) -> list[str]:
    """Command lines that name it."""
    return [line for line in everywhere("cmdline") if str(place) in line]


def everywhere(name: str) -> Iterator[str]:
    """Lines of a file that every process has in /proc; who ends meanwhile has none."""
    for path in Path("/proc").glob(f"[0-9]*/{name}"):
        with contextlib.suppress(OSError):
            yield from path.read_text(errors="replace").splitlines()


@pytest.mark.long
def test_two_builds_from_nothing_are_the_same_bit_for_bit(
    image: Path, order: Order, tmp_path: Path
) -> None:
    """The base is made anew, too, from the recorded list of packages, on another day."""
    other = replace(order, cache=tmp_path / "cache", target=tmp_path / "tarn")
    process = builder(other, tmp_path, *ANOTHER_DAY)
    said, _ = process.communicate()
    kept = {one.name.split("_")[0] for one in (tmp_path / "cache/images/packages").glob("*/*.deb")}
    shutil.rmtree(tmp_path / "cache", ignore_errors=True)
    assert process.returncode == 0, said
    assert differences(image.parent, other.target) == []
    described = json.loads((other.target / "manifest.json").read_text())
    assert kept == set(described["packages"])  # for the next base


def test_what_is_in_it_is_said_and_signed(image: Path, order: Order, tmp_path: Path) -> None:
    place = image.parent
    described = json.loads((place / "manifest.json").read_text())
    for name, digest in described["files"].items():
        assert hashlib.sha256((place / name).read_bytes()).hexdigest() == digest
    assert described["seats"] == [seat.name for seat in order.seats]
    assert described["packages"]["cage"] == "0.1.4-4"
    signers = tmp_path / "signers"
    assert order.signing_key
    public = order.signing_key.with_suffix(".pub").read_text()
    signers.write_text(f"ops@fennmoor.example {public}")
    assert verify(place / "manifest.json", signers) == "ops@fennmoor.example"
    forged = tmp_path / "manifest.json"
    forged.write_text((place / "manifest.json").read_text().replace("tarn", "barn"))
    shutil.copy(place / "manifest.json.sig", tmp_path)
    with pytest.raises(ImageError, match="its signature is not that of one of"):
        verify(forged, signers)


def test_the_bill_of_materials_names_every_package(image: Path) -> None:
    """Required fields: SPDX 2.3, clauses 6 and 7."""
    bill = json.loads((image.parent / "tarn.spdx.json").read_text())
    assert {"spdxVersion", "dataLicense", "SPDXID", "name", "documentNamespace"} <= bill.keys()
    packages = json.loads((image.parent / "manifest.json").read_text())["packages"]
    assert [one["name"] for one in bill["packages"][1:]] == sorted(packages)
    ids = [one["SPDXID"] for one in bill["packages"]]
    assert len(set(ids)) == len(ids)
    assert all(one["downloadLocation"] for one in bill["packages"])


def test_no_secret_and_nothing_of_a_machine_is_in_the_root(image: Path, tmp_path: Path) -> None:
    root = tmp_path / "root"
    with image.open("rb") as file, root.open("wb") as copy:
        file.seek(193 * MIB)
        shutil.copyfileobj(file, copy, 1 << 22)
    run("e2fsck", "-fn", root)
    assert run("debugfs", "-R", "cat /etc/machine-id", root) == ""
    assert "ssh_host_" not in run("debugfs", "-R", "ls /etc/ssh", root)
    for absent in (
        "/etc/credstore",
        "/var/lib/systemd/random-seed",
        "/etc/seatwright/session.json",
    ):
        shown = subprocess.run(
            ["debugfs", "-R", f"stat {absent}", str(root)], capture_output=True, text=True
        )
        assert "File not found" in shown.stderr, absent
    root.unlink()


def test_the_initial_ram_disk_has_drivers_for_whatever_a_root_is_on_and_for_no_network(
    image: Path, tmp_path: Path
) -> None:
    """Outside references: zstd and cpio."""
    boot, packed = tmp_path / "boot", tmp_path / "initrd"
    run("dd", f"if={image}", f"of={boot}", "bs=1M", "skip=1", "count=192", "status=none")
    run("mcopy", "-i", boot, "::initrd.img", packed)
    run("zstd", "-q", "-d", packed, "-o", f"{packed}.cpio")
    listed = subprocess.run(
        ["cpio", "-t", "--quiet", "-F", f"{packed}.cpio"],
        check=True,
        capture_output=True,
        text=True,
    ).stdout
    drivers = {Path(line).name.partition(".")[0] for line in listed.splitlines() if ".ko" in line}
    assert drivers >= {
        "ahci", "ext4", "mmc_block", "nvme", "sd_mod", "sdhci-pci", "uas", "usb-storage",
        "virtio_blk", "virtio_scsi", "xhci-pci",
    }  # fmt: skip
    assert "drivers/net/ethernet" not in listed


def test_the_table_has_every_room_of_the_model(image: Path, tmp_path: Path) -> None:
    root = tmp_path / "root"
    with image.open("rb") as file, root.open("wb") as copy:
        file.seek(193 * MIB)
        shutil.copyfileobj(file, copy, 1 << 22)
    table = json.loads(run("debugfs", "-R", "cat /usr/lib/seatwright-image/table.json", root))
    root.unlink()
    rooms = set()
    for row in table["seats"]:
        files = {one["path"]: table["contents"][one["sha256"]] for one in row["files"]}
        told = json.loads(files["/etc/seatwright/session.json"])
        assert told["seat"] == row["name"]
        assert "seatwright_keep" in files["/etc/udev/rules.d/74-seatwright.rules"]
        rooms.add(told["room"])
    assert rooms == {"front-desk", "digitisation", "offices"}


def test_a_full_disk_leaves_the_last_image(image: Path, order: Order, tmp_path: Path) -> None:
    """The images go to a file system of 40 MB, which holds an earlier one."""
    wanted = replace(order, target=tmp_path / "tarn")
    script = (
        f"mount -t tmpfs -o size=40m tmpfs {tmp_path} && mkdir {tmp_path}/tarn && "
        f'echo old >{tmp_path}/tarn/manifest.json && ("$@" || true) && '
        f"cat {tmp_path}/tarn/manifest.json && ls -A {tmp_path}"
    )
    process = builder(wanted, order.repository, "unshare", "--mount", "sh", "-c", script, "sh")
    said, _ = process.communicate()
    assert "No space left on device" in said or "Is the disk full?" in said
    assert said.splitlines()[-2:] == ["old", "tarn"]


def test_a_full_disk_below_the_cache_is_said_and_leaves_nothing(
    order: Order, tmp_path: Path
) -> None:
    """A base does not even begin to fit into 60 MB."""
    wanted = replace(order, cache=tmp_path / "small/cache", target=tmp_path / "tarn")
    script = (
        f"mkdir {tmp_path}/small && mount -t tmpfs -o size=60m tmpfs {tmp_path}/small && "
        f'("$@" || true) && ls -A {tmp_path}/small/cache/images/bases'
    )
    process = builder(wanted, order.repository, "unshare", "--mount", "sh", "-c", script, "sh")
    said, _ = process.communicate()
    assert "Is the disk full?" in said, said
    (left,) = said.splitlines()[-1:]
    assert left.startswith(".bookworm-amd64-") and left.endswith(".lock")
    assert not (tmp_path / "tarn").exists()


def test_what_was_not_rendered_is_not_built(order: Order, tmp_path: Path) -> None:
    site = tmp_path / "fennmoor"
    shutil.copytree(order.site, site)
    (site / "rendered/plan.json").write_text("{}")
    with pytest.raises(ImageError, match="is not what the site would be rendered to"):
        build(replace(order, site=site), quiet)


def test_a_list_that_the_archive_has_left_behind_is_refused_at_once(
    order: Order, tmp_path: Path
) -> None:
    """Before anything is installed: what is gone is named, with what is there now."""
    site, cache = tmp_path / "fennmoor", tmp_path / "cache"
    shutil.copytree(order.site, site)
    list_ = site / "images/bookworm-amd64.packages"
    list_.write_text(list_.read_text().replace("\ncage 0.1.4-4\n", "\ncage 0.1.3-1\n"))
    with pytest.raises(ImageError, match="The archive has moved on") as caught:
        build(replace(order, site=site, cache=cache), quiet)
    assert "\n  cage: 0.1.3-1 recorded, 0.1.4-4 there" in caught.value.message
    assert not [one for one in (cache / "images/bases").iterdir() if one.is_dir()]


def test_a_list_of_packages_that_is_none_is_refused(order: Order, tmp_path: Path) -> None:
    site = tmp_path / "fennmoor"
    shutil.copytree(order.site, site)
    list_ = site / "images/bookworm-amd64.packages"
    list_.write_text(list_.read_text().replace("\nadduser ", "\nADDUSER "))
    with pytest.raises(ImageError, match=r"packages:\d+:1: not a package and its version"):
        build(replace(order, site=site), quiet)
    list_.write_text("# a base\n")
    with pytest.raises(ImageError, match="this is not a list of the packages"):
        build(replace(order, site=site), quiet)
