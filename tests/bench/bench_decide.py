"""A catalogue decided for many rooms: all products of usb.ids, 20 shapes, 500 distinct filters.

Side by side, in one run: ``policy.catalogue``, and libusbredirparser called once for each device
and filter: from a loop in C compiled on the spot (gcc), and through ctypes.  The library is given
a sample of the ids, with every filter and shape, and its time is multiplied up: each call costs
the same whichever the id, but for how far down the list it gets.  The answers of the sample are
compared.  Needs the Debian packages libusbredirparser1, usb.ids, gcc and libc6-dev.
"""

from __future__ import annotations

import ctypes
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path
from random import Random

from rich.console import Console
from rich.table import Table

sys.path.insert(0, str(Path(__file__).parents[1] / "oracle"))

from redir_library import CRule, RedirLibrary, arguments
from room_filters import SHAPES, room_filters, system_catalogue

from seatwright.policy.catalogue import Catalogue
from seatwright.usb.filter import Rule

FILTERS = 500
SAMPLE = 400  # ids given to the loop in C
SMALL_SAMPLE = 4  # ids given to the library through ctypes
REPEATS = 3
SEED = 20_240_304

LOOP = r"""
#include <stdint.h>
int usbredirfilter_check(const void *rules, int rules_count,
    uint8_t device_class, uint8_t device_subclass, uint8_t device_protocol,
    uint8_t *classes, uint8_t *subclasses, uint8_t *protocols, int interface_count,
    uint16_t vendor, uint16_t product, uint16_t version, int flags);

/* One filter and shape, many ids: writes 1 where the device passes. */
void check_ids(const void *rules, int rules_count,
    uint8_t device_class, uint8_t device_subclass, uint8_t device_protocol,
    uint8_t *classes, uint8_t *subclasses, uint8_t *protocols, int interface_count,
    uint16_t version, const uint16_t *ids, int id_count, uint8_t *passes)
{
    for (int i = 0; i < id_count; i++)
        passes[i] = usbredirfilter_check(rules, rules_count, device_class, device_subclass,
            device_protocol, classes, subclasses, protocols, interface_count,
            ids[2 * i], ids[2 * i + 1], version, 0) == 0;
}
"""

Ids = Sequence[tuple[int, int]]
Filters = Sequence[tuple[Rule, ...]]


def compiled_loop(folder: Path) -> ctypes.CDLL:
    """The loop as a library of its own."""
    (folder / "loop.c").write_text(LOOP)
    subprocess.run(
        ["gcc", "-O2", "-shared", "-fPIC", "-o", "loop.so", "loop.c", "-l:libusbredirparser.so.1"],
        cwd=folder, check=True,
    )  # fmt: skip
    return ctypes.CDLL(str(folder / "loop.so"))


def by_catalogue(catalogue: Catalogue, filters: Filters) -> tuple[float, list[list[int]]]:
    """Seconds for all decisions, and for each filter and shape the set of ids that pass."""
    began = time.perf_counter()
    answers = [catalogue.decide(rules, SHAPES) for rules in filters]
    return time.perf_counter() - began, answers


def by_loop(loop: ctypes.CDLL, ids: Ids, filters: Filters) -> tuple[float, list[list[bytes]]]:
    """Seconds for a sample, and for each filter and shape a byte for each id."""
    library = RedirLibrary()
    flat = (ctypes.c_uint16 * (2 * len(ids)))(*(part for one in ids for part in one))
    laid_out: list[ctypes.Array[CRule]] = [library.rules(rules) for rules in filters]
    shapes = [arguments(shape.device) for shape in SHAPES]
    passes = (ctypes.c_uint8 * len(ids))()
    answers, seconds = [], 0.0
    for rules in laid_out:
        row = []
        for shape in shapes:
            began = time.perf_counter()
            loop.check_ids(rules, len(rules), *shape[:7], shape[9], flat, len(ids), passes)
            seconds += time.perf_counter() - began
            row.append(bytes(passes))
        answers.append(row)
    return seconds, answers


def by_ctypes(ids: Ids, filters: Filters) -> float:
    """Seconds for a sample."""
    library = RedirLibrary()
    laid_out = [(library.rules(rules), len(rules)) for rules in filters]
    devices = [arguments(shape.of(*one)) for shape in SHAPES for one in ids]
    began = time.perf_counter()
    for rules, count in laid_out:
        for device in devices:
            library.check_arguments(rules, count, device, 0)
    return time.perf_counter() - began


def disagreements(
    catalogue: Catalogue, ids: Ids, ours: list[list[int]], theirs: list[list[bytes]]
) -> int:
    """Answers of the sample that differ."""
    places = [catalogue.ids.index(one) for one in ids]
    return sum(
        (members >> place & 1) != passes
        for our_row, their_row in zip(ours, theirs, strict=True)
        for members, column in zip(our_row, their_row, strict=True)
        for place, passes in zip(places, column, strict=True)
    )


def report(rows: Sequence[tuple[str, int, float, int]]) -> Table:
    """``name, decisions measured, seconds, decisions wanted`` beside the first row's time."""
    table = Table(title="Deciding a catalogue")
    for heading in ("way", "measured", "for all", "a second", "times as long"):
        table.add_column(heading, justify="left" if heading == "way" else "right")
    first = rows[0][2] * rows[0][3] / rows[0][1]
    for name, measured, seconds, wanted in rows:
        whole = seconds * wanted / measured
        sampled = "" if measured == wanted else f" ({measured / wanted:.2%} of them)"
        table.add_row(
            name, f"{seconds:.2f} s{sampled}", f"{whole:.2f} s", f"{wanted / whole:,.0f}",
            f"{whole / first:.1f}",
        )  # fmt: skip
    return table


def main() -> None:
    """Measures each way, the best of a few runs, and prints them side by side."""
    random = Random(SEED)
    catalogue = system_catalogue()
    filters = room_filters(random, catalogue, FILTERS)
    sample = random.sample(catalogue.ids, SAMPLE)
    with tempfile.TemporaryDirectory() as folder:
        loop = compiled_loop(Path(folder))
        ours = [by_catalogue(catalogue, filters) for _ in range(REPEATS)]
        theirs = [by_loop(loop, sample, filters) for _ in range(REPEATS)]
    through_ctypes = by_ctypes(sample[:SMALL_SAMPLE], filters)
    each = len(SHAPES) * len(filters)
    wanted = each * len(catalogue.ids)
    rules = sum(map(len, filters)) / len(filters)
    console = Console()
    console.print(
        f"{len(catalogue.ids):,} ids x {len(SHAPES)} shapes x {len(filters)} filters of "
        f"{rules:.0f} rules on average: {wanted:,} decisions"
    )
    console.print(
        report(
            [
                ("policy.catalogue (pure Python)", wanted, min(ours)[0], wanted),
                ("the library in a C loop", each * SAMPLE, min(theirs)[0], wanted),
                ("the library through ctypes", each * SMALL_SAMPLE, through_ctypes, wanted),
            ]
        )
    )
    different = disagreements(catalogue, sample, ours[0][1], theirs[0][1])
    console.print(f"answers of the sample that differ: {different} of {each * SAMPLE:,}")


if __name__ == "__main__":
    main()
