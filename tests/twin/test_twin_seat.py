"""The seat itself on the twin: its unit, its clock, its sound, what it shows."""

from __future__ import annotations

import array
import json
import math
from collections.abc import Iterator, Sequence
from pathlib import Path

import pytest
from twin_bench import DRIVE, Bench

from seatwright.twin.client import UNIT
from seatwright.twin.emulator import wait_until

SAMPLES_PER_SECOND = 44_100
TENTHS = 5
"""Tenths of a second that must be the expected sound and nothing else."""
MOST = 3.0
EXCEPTIONS = {
    "CapabilityBoundingSet": "root's only: the session has none",
    "DeviceAllow": "the screen, sound, and the USB nodes that udev opens",
    "IPAddressDeny": "a host's address may be a name, and this wants numbers",
    "MemoryDenyWriteExecute": "GObject introspection and sound make code while they run",
    "NotifyAccess": "the compositor is the main process, its child says when it is ready",
    "PrivateDevices": "as DeviceAllow",
    "PrivateNetwork": "the guest is reached over the network",
    "PrivateUsers": "the user owns the screen's and the devices' nodes through its groups",
    "ProcSubset": "libraries read the processor's abilities in /proc/cpuinfo",
    "RestrictAddressFamilies": "network, the compositor's socket, udev's messages",
    "RootDirectoryOrRootImage": "Debian's own libraries, kept up to date by Debian's own means",
    "UMask": "fleet monitoring reads the state file",
}
"""What ``systemd-analyze security`` holds against the unit, and why it has to be so."""

UNSYNCHRONISED = """
import ctypes, struct
timex = ctypes.create_string_buffer(256)
struct.pack_into("I", timex, 0, 0x10 | 0x04)  # ADJ_STATUS, ADJ_MAXERROR of adjtimex(2)
struct.pack_into("q", timex, 24, 20_000_000)
struct.pack_into("i", timex, 40, 0x40)  # STA_UNSYNC
ctypes.CDLL(None).adjtimex(timex)
"""


def test_the_unit_is_hardened_and_each_exception_explained(
    bench: Bench, capsys: pytest.CaptureFixture[str]
) -> None:
    client = bench.twin.client
    text = client.shell(f"systemd-analyze security {UNIT} --no-pager --json=short")
    against = [one for one in json.loads(text) if float(one["exposure"] or 0) > 0]
    last = client.shell(f"systemd-analyze security {UNIT} --no-pager").strip().splitlines()[-1]
    score = float(last.rpartition(": ")[2].split()[0])
    with capsys.disabled():
        print(f"\n{last.strip()}")
        for name in sorted({one["json_field"].partition("_")[0] for one in against}):
            print(f"  {name}: {EXCEPTIONS.get(name, '(not explained)')}")
    assert score <= MOST
    assert {one["json_field"].partition("_")[0] for one in against} <= set(EXCEPTIONS)


def test_the_session_waits_for_the_time_before_it_connects(bench: Bench) -> None:
    """A clock that nobody has set yet, as the kernel itself says it (adjtimex(2))."""
    client = bench.twin.client
    bench.twin.keep_silent()
    client.run("python3", "-I", "-c", UNSYNCHRONISED).expect_success()
    client.shell("rm /run/systemd/timesync/synchronized")
    client.shell(f"systemctl reset-failed {UNIT}; systemctl restart --no-block {UNIT}")
    wait_until("wait", lambda: client.state().get("last_error") == "no-time", 180, 0.5)
    assert client.state()["state"] == "waiting"
    bench.twin.tell_time()
    client.shell("systemctl restart systemd-timesyncd")
    client.wait_state("shown", 90)


def test_sound_has_what_it_needs(bench: Bench) -> None:
    """The elements that spice-gtk's pipelines name (its spice-gstaudio.c, from memory)."""
    names = ("appsrc", "appsink", "audioconvert", "audioresample", "autoaudiosink", "alsasink")
    script = (
        "import gi; gi.require_version('Gst', '1.0'); from gi.repository import Gst\n"
        f"Gst.init(None); print([n for n in {names} if Gst.ElementFactory.find(n) is None])"
    )
    assert bench.twin.client.run("python3", "-I", "-c", script).expect_success().out == "[]\n"


def share_at(samples: Sequence[int], hertz: float) -> float:
    """How much of a sound's power is at one frequency: 0.0 to 1.0 (Goertzel's algorithm)."""
    power = sum(value * value for value in samples)
    factor = 2 * math.cos(2 * math.pi * hertz / SAMPLES_PER_SECOND)
    last = before = 0.0
    for value in samples:
        last, before = value + factor * last - before, last
    at = last * last + before * before - factor * last * before
    return 2 * at / (len(samples) * power) if power else 0.0


def tenths(sound: bytes) -> Iterator[Sequence[int]]:
    """The left channel, a tenth of a second at a time."""
    left = array.array("h", sound[: len(sound) // 4 * 4])[::2]
    step = SAMPLES_PER_SECOND // 10
    for start in range(0, len(left) - step, step):
        yield left[start : start + step]


def test_what_the_guest_plays_is_heard_at_the_seat(bench: Bench) -> None:
    """Two pitches by the guest's speaker, recorded behind the seat's sound device.

    A square wave has 8/pi² of its power at its pitch.  Where the emulated seat is too slow there
    are gaps, so each tenth of a second is looked at on its own.
    """
    client, guest = bench.twin.client, bench.twin.guest
    bench.twin.client.sockets.plug("1-5", "audio", audiodev="heard")
    wait_until("sound device", lambda: client.run("test", "-e", "/dev/snd/pcmC0D0p").code == 0, 30)

    def heard(hertz: int) -> bool:
        return sum(share_at(one, hertz) > 0.5 for one in tenths(client.heard())) >= TENTHS

    for hertz, other in ((880, 2500), (2500, None)):
        assert not heard(hertz)
        guest.play(hertz)
        wait_until(f"sound of {hertz} Hz", lambda hertz=hertz: heard(hertz), 60, 1)
        assert other is None or not heard(other)
    guest.play(0)


def test_fleet_monitoring_reads_the_state(bench: Bench) -> None:
    bench.plug("1-1")
    bench.arrives(1, DRIVE)
    text = bench.twin.client.shell("runuser -u nobody -- cat /run/seatwright/seatwright.prom")
    labels = 'seat="rr-01",guest="rr-01"'
    assert f'seatwright_state{{{labels},state="shown"}} 1' in text.splitlines()
    assert f"seatwright_redirected{{{labels}}} 1" in text.splitlines()


def test_each_state_of_the_picker_is_another_picture(bench: Bench, tmp_path: Path) -> None:
    client = bench.twin.client

    def picture(name: str) -> bytes:
        client.screenshot(tmp_path / f"{name}.png")
        return (tmp_path / f"{name}.png").read_bytes()

    def changes(name: str, before: bytes) -> bytes:
        return wait_until(name, lambda: (now := picture(name)) != before and now, 20, 0.5)

    def press(*keys: str) -> None:
        held = [{"type": "qcode", "data": key} for key in keys]
        client.emulator.qmp.ask("send-key", keys=held)

    closed = picture("closed")
    press("ctrl", "alt", "u")
    empty = changes("empty", closed)
    bench.plug("1-1")
    bench.plug("1-2")
    bench.arrives(2, DRIVE, DRIVE)
    listed = changes("listed", empty)
    press("down")
    press("ret")
    bench.arrives(1, DRIVE)
    changes("taken back", listed)
    press("esc")
