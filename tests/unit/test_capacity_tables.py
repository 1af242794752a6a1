"""Our formulas against the published tables.

Source of the USB tables: Universal Serial Bus Specification, revision 2.0, tables 5-1 to 5-10,
typed in from memory; each row was accepted only where it agrees with the overhead that stands above
its table.  Columns: data payload, maximum bandwidth in bytes per second, maximum transfers, bytes
remaining, bytes of useful data; the last four per frame or microframe.

Source of the frame rates: RFC 2544 (10 Mb/s; appendix on maximum frame rates) and RFC 5180,
appendix A (100 Mb/s and 1 Gb/s), from memory.
"""

from __future__ import annotations

import pytest

from seatwright.capacity.transfers import (
    FRAME_BYTES,
    LARGEST,
    OVERHEADS,
    Transfer,
    bus_bytes,
    bus_rate,
    most_rate,
    most_transfers,
)
from seatwright.capacity.wire import (
    AROUND_FRAME,
    PLANNED,
    REDIR_HEADER,
    REDIR_TRANSFER,
    Wire,
    most_frames,
)
from seatwright.site.types import Speed

Row = tuple[int, int, int, int, int]

FULL_BULK: tuple[Row, ...] = (
    (1, 107_000, 107, 2, 107),
    (2, 200_000, 100, 0, 200),
    (4, 352_000, 88, 4, 352),
    (8, 568_000, 71, 9, 568),
    (16, 816_000, 51, 21, 816),
    (32, 1_056_000, 33, 15, 1056),
    (64, 1_216_000, 19, 37, 1216),
)
HIGH_BULK: tuple[Row, ...] = (
    (1, 1_064_000, 133, 52, 133),
    (2, 2_096_000, 131, 33, 262),
    (4, 4_064_000, 127, 7, 508),
    (8, 7_616_000, 119, 3, 952),
    (16, 13_440_000, 105, 45, 1680),
    (32, 22_016_000, 86, 18, 2752),
    (64, 32_256_000, 63, 3, 4032),
    (128, 40_960_000, 40, 180, 5120),
    (256, 49_152_000, 24, 36, 6144),
    (512, 53_248_000, 13, 129, 6656),
)
TABLES: dict[str, tuple[Speed, Transfer, int, tuple[Row, ...]]] = {
    "5-1": (
        Speed.LOW,
        Transfer.CONTROL,
        63,
        ((1, 3000, 3, 40, 3), (2, 6000, 3, 37, 6), (4, 12_000, 3, 31, 12), (8, 24_000, 3, 19, 24)),
    ),
    "5-2": (
        Speed.FULL,
        Transfer.CONTROL,
        45,
        (
            (1, 32_000, 32, 28, 32),
            (2, 62_000, 31, 43, 62),
            (4, 120_000, 30, 30, 120),
            (8, 224_000, 28, 16, 224),
            (16, 384_000, 24, 36, 384),
            (32, 608_000, 19, 37, 608),
            (64, 832_000, 13, 83, 832),
        ),
    ),
    "5-3": (
        Speed.HIGH,
        Transfer.CONTROL,
        173,
        (
            (1, 344_000, 43, 18, 43),
            (2, 672_000, 42, 150, 84),
            (4, 1_344_000, 42, 66, 168),
            (8, 2_624_000, 41, 79, 328),
            (16, 4_992_000, 39, 129, 624),
            (32, 9_216_000, 36, 120, 1152),
            (64, 15_872_000, 31, 153, 1984),
        ),
    ),
    "5-4": (
        Speed.FULL,
        Transfer.ISOCHRONOUS,
        9,
        (
            (1, 150_000, 150, 0, 150),
            (2, 272_000, 136, 4, 272),
            (4, 460_000, 115, 5, 460),
            (8, 704_000, 88, 4, 704),
            (16, 960_000, 60, 0, 960),
            (32, 1_152_000, 36, 24, 1152),
            (64, 1_280_000, 20, 40, 1280),
            (128, 1_280_000, 10, 130, 1280),
            (256, 1_280_000, 5, 175, 1280),
            (512, 1_024_000, 2, 458, 1024),
            (1023, 1_023_000, 1, 468, 1023),
        ),
    ),
    "5-5": (
        Speed.HIGH,
        Transfer.ISOCHRONOUS,
        38,
        (
            (1, 1_536_000, 192, 12, 192),
            (2, 2_992_000, 187, 20, 374),
            (4, 5_696_000, 178, 24, 712),
            (8, 10_432_000, 163, 2, 1304),
            (16, 17_664_000, 138, 48, 2208),
            (32, 27_392_000, 107, 10, 3424),
            (64, 37_376_000, 73, 54, 4672),
            (128, 46_080_000, 45, 30, 5760),
            (256, 51_200_000, 25, 150, 6400),
            (512, 53_248_000, 13, 350, 6656),
            (1024, 57_344_000, 7, 66, 7168),
            (2048, 49_152_000, 3, 1242, 6144),
            (3072, 49_152_000, 2, 1280, 6144),
        ),
    ),
    "5-6": (
        Speed.LOW,
        Transfer.INTERRUPT,
        19,
        (
            (1, 12_000, 12, 7, 12),
            (2, 22_000, 11, 11, 22),
            (4, 40_000, 10, 7, 40),
            (8, 64_000, 8, 11, 64),
        ),
    ),
    "5-7": (Speed.FULL, Transfer.INTERRUPT, 13, FULL_BULK),
    "5-8": (
        Speed.HIGH,
        Transfer.INTERRUPT,
        55,
        (
            *HIGH_BULK,
            (1024, 49_152_000, 6, 1026, 6144),
            (2048, 49_152_000, 3, 1191, 6144),
            (3072, 49_152_000, 2, 1246, 6144),
        ),
    ),
    "5-9": (Speed.FULL, Transfer.BULK, 13, FULL_BULK[3:]),
    "5-10": (Speed.HIGH, Transfer.BULK, 55, HIGH_BULK),
}


@pytest.mark.parametrize("number", TABLES)
def test_a_table_of_the_usb_specification(number: str) -> None:
    speed, transfer, stated, rows = TABLES[number]
    overhead = OVERHEADS[speed, transfer]
    assert overhead.stated == stated
    for size, bandwidth, transfers, remaining, useful in rows:
        most = most_transfers(speed, transfer, size)
        assert (most, most * size) == (transfers, useful), size
        assert FRAME_BYTES[speed] - most * (overhead.bytes + size) == remaining, size
        assert most_rate(speed, transfer, size) == bandwidth, size
    assert rows[-1][0] == LARGEST[speed, transfer]


def test_a_transfer_that_a_speed_does_not_have_is_refused() -> None:
    for speed, transfer, size in (
        (Speed.LOW, Transfer.BULK, 8),
        (Speed.LOW, Transfer.ISOCHRONOUS, 8),
        (Speed.FULL, Transfer.BULK, 512),
        (Speed.HIGH, Transfer.BULK, 0),
    ):
        with pytest.raises(ValueError, match="no "):
            most_rate(speed, transfer, size)


def test_data_is_cut_into_packets_each_with_its_overhead() -> None:
    assert bus_bytes(Speed.HIGH, Transfer.BULK, 1522) == 1522 + 3 * 55
    assert bus_bytes(Speed.HIGH, Transfer.BULK, 0) == 55
    assert bus_rate(Speed.HIGH) == 480_000_000 // 8
    assert bus_rate(Speed.FULL) == 12_000_000 // 8


def test_super_speed_has_no_table_and_is_framing_alone() -> None:
    """1,024 bytes of data take 1,056 of the 500 MB/s that 8b/10b leaves of 5 Gb/s."""
    assert most_rate(Speed.SUPER, Transfer.BULK, 1024) == 500_000_000 * 1024 // 1056


RFC_2544 = (
    (64, 14_880),
    (128, 8_445),
    (256, 4_528),
    (512, 2_349),
    (768, 1_586),
    (1024, 1_197),
    (1280, 961),
    (1518, 812),
)
"""Bytes and frames in a second at 10 Mb/s, begun ones left out."""

RFC_5180 = {
    100_000_000: (148_810, 84_459, 45_290, 23_496, 11_973, 9_615, 8_127, 8_106),
    1_000_000_000: (1_488_095, 844_595, 452_899, 234_962, 119_732, 96_154, 81_274, 81_064),
}
"""Frames in a second for 64, 128, 256, 512, 1024, 1280, 1518 and 1522 bytes, rounded."""


@pytest.mark.parametrize(("size", "frames"), RFC_2544)
def test_the_frame_rates_of_rfc_2544(size: int, frames: int) -> None:
    assert int(most_frames(10_000_000, size)) == frames


@pytest.mark.parametrize("link", RFC_5180)
def test_the_frame_rates_of_rfc_5180(link: int) -> None:
    sizes = (64, 128, 256, 512, 1024, 1280, 1518, 1522)
    assert tuple(round(most_frames(link, size)) for size in sizes) == RFC_5180[link]


def test_what_tcp_carries_over_a_gigabit_link() -> None:
    """941.48 Mb/s with IPv4 and time stamps: the figure that throughput tests settle at."""
    bare = Wire(ip=20, tls=False, spice=False)
    assert bare.segment == 1448
    assert 1_000_000_000 * 8 * 1448 / bare.bits(1448) == pytest.approx(941_482_444, abs=1)
    assert AROUND_FRAME == 38


def test_small_packets_pay_for_every_layer() -> None:
    """192 bytes of sound, 20 of usbredir, 6 of SPICE, 22 of TLS, 72 of IPv6 and TCP, 38 around."""
    assert REDIR_HEADER + REDIR_TRANSFER[Transfer.ISOCHRONOUS] == 20
    assert PLANNED.packet(Transfer.ISOCHRONOUS, 192) == 192 + 20 + 6 + 22
    assert PLANNED.bits(PLANNED.packet(Transfer.ISOCHRONOUS, 192)) == 8 * (240 + 72 + 38)


def test_large_packets_are_cut_at_every_layer() -> None:
    stream = PLANNED.packet(Transfer.BULK, 122_880)
    messages = 122_880 + 26 + 2 * 6
    assert stream == messages + -(-messages // 16_384) * 22
    assert PLANNED.frames(stream) == -(-stream // 1428)
