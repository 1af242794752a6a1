"""A guest twin with a Debian of its own: what arrives there is a device like any other."""

from __future__ import annotations

from pathlib import Path

import pytest
from bench_site import SEAT, bench_plan
from twin_bench import DRIVE

from seatwright.twin.devices import DRIVE_BYTES
from seatwright.twin.emulator import wait_until
from seatwright.twin.pair import Twin

WORD = "seen by both"


@pytest.mark.long
def test_a_drive_is_read_and_written_by_the_guest(tmp_path: Path) -> None:
    with Twin.boot(bench_plan(tmp_path), SEAT, guest_system=True) as twin:
        client, guest = twin.client, twin.guest
        client.wait_state("shown", 200)
        client.sockets.plug("1-1", "drive")
        client.wait_ids(DRIVE)
        size = "cat /sys/class/block/sda/size"
        wait_until("drive", lambda: guest.run("sh", "-c", size).code == 0, 60, 0.5)
        assert int(guest.run("sh", "-c", size).out) * 512 == DRIVE_BYTES
        write = f"printf '{WORD}' | dd of=/dev/sda conv=fsync status=none"
        guest.run("sh", "-ec", write).expect_success()
        (content,) = client.directory.glob("behind*")
        assert content.read_bytes().startswith(WORD.encode())
        assert "Product: QEMU USB HARDDRIVE" in guest.run("dmesg").out
