"""The recorded list of packages beside what the archive has by now."""

from __future__ import annotations

from datetime import UTC, datetime

from seatwright.image.bootstrap import moved_on, newer
from seatwright.image.snapshot import Snapshot, parted

RECORDED = Snapshot(
    "bookworm-amd64",
    datetime(2026, 3, 1, tzinfo=UTC),
    {"cage": "0.1.4-4", "openssl": "3.0.15-1~deb12u1", "udev": "252.30-1~deb12u2"},
)
OFFERED = [
    "cage 0.1.4-4",
    "openssl 3.0.15-1~deb12u1",
    "openssl 3.0.9-1",
    "udev 252.30-1~deb12u2",
    "udev 252.39-1~deb12u1",
]


def test_what_is_newer_by_debians_order_is_named() -> None:
    assert newer(RECORDED, OFFERED) == ["udev: 252.30-1~deb12u2 recorded, 252.39-1~deb12u1 there"]
    assert newer(RECORDED, OFFERED[:-1]) == []


def test_what_is_gone_is_said_with_the_day_of_the_list_and_what_is_there_instead() -> None:
    gone = ["openssl 3.0.15-1~deb12u1", "udev 252.30-1~deb12u2"]
    error = moved_on(RECORDED, gone, ["udev 252.39-1~deb12u1", "udev 252.6-1"])
    assert error.message.splitlines() == [
        "The archive has moved on since the packages of bookworm-amd64 were recorded on "
        "2026-03-01; gone from it:",
        "  openssl: 3.0.15-1~deb12u1 recorded, none there",
        "  udev: 252.30-1~deb12u2 recorded, 252.39-1~deb12u1 and 252.6-1 there",
    ]
    assert "--renew" in error.hint


def test_a_long_list_is_cut() -> None:
    gone = [f"package-{number} 1" for number in range(30)]
    assert moved_on(RECORDED, gone, []).message.splitlines()[-1] == "  and 10 more"


def test_versions_of_a_package_are_together() -> None:
    assert parted(OFFERED)["openssl"] == ["3.0.15-1~deb12u1", "3.0.9-1"]
