"""Drives over shaped links, measured beside computed, for many rates and round trips.

The guest and the drive are those of tests/capacity; needs root and takes about three minutes.
Prints a line for each shape and writes the plot (computed lines, measured dots) to the path on the
command line, ``tests/capacity/drive.svg`` where none is given.  Beside each stands the share of the
time that is the emulator's own: where that is large the emulator is measured, not the link.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from pathlib import Path

from rich.console import Console
from rich.table import Table

sys.path.insert(0, str(Path(__file__).parents[1] / "capacity"))

from drive_guest import RECIPE, DriveGuest, Figure, drive_guest, predicted

from seatwright.book.svg import alone, element, joined, picture, text
from seatwright.capacity.demand import STORAGE_REQUEST
from seatwright.rehearsal.base import ensure
from seatwright.render.quote import Quoted

PLOT = Path(__file__).parents[1] / "capacity" / "drive.svg"
RATES = (10e6, 20e6, 50e6, 100e6)
ROUND_TRIPS = (0.001, 0.002, 0.005, 0.01, 0.02, 0.05)
WITHIN = 0.2

LEFT, TOP, COLUMN, HEIGHT = 70, 30, 90, 300
HIGHEST = 80e6


def computed(rate: float, round_trip: float, own: float) -> float:
    """Bits per second, with the emulator's own time."""
    return 8 * STORAGE_REQUEST / (predicted(rate, round_trip) + own)


def measured(guest: DriveGuest) -> Iterator[Figure]:
    """Every shape, reading and writing."""
    for rate in RATES:
        for round_trip in ROUND_TRIPS:
            for what in ("read", "write"):
                yield guest.measure(what, rate, round_trip)


def plot(figures: Sequence[Figure], own: float) -> bytes:
    """Lines as computed; dots for reading, rings for writing as measured."""
    width, height = LEFT + COLUMN * len(ROUND_TRIPS) + 90, TOP + HEIGHT + 60
    parts = [*axes(), *(line(rate, own) for rate in RATES), *map(dot, figures)]
    words = "Drives over shaped links: " + "; ".join(
        f"{one.what} at {one.rate / 1e6:.0f} Mb/s and {one.round_trip * 1e3:g} ms: "
        f"{one.bits / 1e6:.1f} Mb/s, computed {computed(one.rate, one.round_trip, own) / 1e6:.1f}"
        for one in figures
    )
    return alone(picture(width, height, words, joined(parts)))


def axes() -> Iterator[Quoted]:
    """The frame, with Mb/s upwards and round trips to the right."""
    right, bottom = LEFT + COLUMN * len(ROUND_TRIPS), TOP + HEIGHT
    yield element("rect", css="rest", x=LEFT, y=TOP, width=right - LEFT, height=HEIGHT)
    for amount in range(0, int(HIGHEST / 1e6) + 1, 20):
        yield text(LEFT - 8, y_of(amount * 1e6) + 4, str(amount), 12, text_anchor="end")
    for round_trip in ROUND_TRIPS:
        words = f"{round_trip * 1e3:g}"
        yield text(x_of(round_trip), bottom + 18, words, 12, text_anchor="middle")
    yield text(LEFT, TOP - 10, "Mb/s; lines computed, dots read, rings written", 12)
    yield text(LEFT, bottom + 42, "round trip in ms", 12)


def line(rate: float, own: float) -> Quoted:
    """What is computed for one rate."""
    points = [(x_of(one), y_of(computed(rate, one, own))) for one in ROUND_TRIPS]
    path = "M" + "L".join(f"{x:g} {y:.1f}" for x, y in points)
    x, y = points[0]
    name = text(x - 30, y - 6, f"{rate / 1e6:.0f}", 11, css="dim")
    return joined((element("path", css="wire", d=path), name))


def dot(figure: Figure) -> Quoted:
    """What was measured."""
    css = "ink" if figure.what == "read" else "wire"
    x, y = x_of(figure.round_trip), y_of(figure.bits)
    return element("circle", css=css, cx=x, cy=round(y, 1), r=4 if css == "ink" else 7)


def x_of(round_trip: float) -> float:
    """Where a round trip stands, each a column."""
    return LEFT + COLUMN * (ROUND_TRIPS.index(round_trip) + 0.5)


def y_of(bits: float) -> float:
    """Where a rate stands."""
    return TOP + HEIGHT * (1 - bits / HIGHEST)


def main() -> int:
    """Print, plot; 1 where a shape is off that the emulator is not the reason for."""
    target = Path(sys.argv[1]) if len(sys.argv) > 1 else PLOT
    (root,) = ensure(RECIPE)
    with drive_guest(root) as guest:
        own = {what: guest.own(what).seconds for what in ("read", "write")}
        figures = list(measured(guest))
    table = Table(title=f"A command by itself: {1e3 * own['read']:.1f} ms read, written alike")
    for heading in ("what", "Mb/s", "ms", "measured", "computed", "off", "own time"):
        table.add_column(heading, justify="left" if heading == "what" else "right")
    missed = 0
    for one in figures:
        wanted = computed(one.rate, one.round_trip, own[one.what])
        off, share = one.bits / wanted - 1, own[one.what] / one.seconds
        missed += abs(off) > WITHIN and share < WITHIN
        row = (f"{one.rate / 1e6:.0f}", f"{one.round_trip * 1e3:g}", f"{one.bits / 1e6:.1f}")
        table.add_row(one.what, *row, f"{wanted / 1e6:.1f}", f"{off:+.0%}", f"{share:.0%}")
    Console().print(table)
    target.write_bytes(plot(figures, own["read"]))
    print(f"{target}; limit {WITHIN:.0%}: {'kept' if not missed else f'{missed} NOT KEPT'}")
    return int(missed > 0)


if __name__ == "__main__":
    sys.exit(main())
