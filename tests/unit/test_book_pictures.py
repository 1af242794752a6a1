"""Topologies, bars and their files."""

from __future__ import annotations

import struct
import xml.etree.ElementTree as ET
import zlib
from pathlib import Path

import pytest

from seatwright.book.files import pictures
from seatwright.book.png import NoFont, png_of
from seatwright.book.sheets import rows_of
from seatwright.book.svg import alone, fit, picture, text, wrap
from seatwright.book.topology import sentences, topology_of
from seatwright.capacity.words import link_words, rate_words
from seatwright.plan import Plan
from seatwright.planning import make_plan
from seatwright.site.allocations import Allocations
from seatwright.site.read import read_site
from seatwright.whole import write_whole
from sites import site_of

DEMO = Path(__file__).parents[2] / "inventories" / "fennmoor"


@pytest.fixture(scope="module")
def demo() -> Plan:
    site = read_site(DEMO).site
    assert site is not None
    return make_plan(site, Allocations()).plan


def test_a_hub_stands_in_the_middle_of_what_is_behind_it(demo: Plan) -> None:
    topology = topology_of(demo.models["ridge"])
    at = {
        str(node.path or node.title): (node.kind, node.column, node.row) for node in topology.nodes
    }
    assert at == {
        "Bus 1": ("bus", 0, 0),
        "1-2": ("socket", 1, 0),
        "Bus 2": ("bus", 0, 1.5),
        "2-3": ("hub", 1, 1.5),
        "2-3.1": ("socket", 2, 1),
        "2-3.4": ("hub", 2, 2),
        "2-3.4.2": ("part", 3, 2),
        "Bus 3": ("bus", 0, 3),
        "3-2": ("socket", 1, 3),
    }
    pairs = [tuple(str(topology.nodes[one].path) for one in pair) for pair in topology.same]
    assert pairs == [("1-2", "3-2")]
    assert all(node.parent is None or node.parent < n for n, node in enumerate(topology.nodes))


def test_the_tree_in_words_has_every_node_below_its_hub(demo: Plan) -> None:
    model = demo.models["ridge"]
    assert list(sentences(topology_of(model), model)) == [
        (0, "Bus 1"),
        (1, "beside the lamp: 1-2, super speed (one socket at 1-2 and 3-2)"),
        (0, "Bus 2"),
        (1, "Hub: 2-3, 1209:0001"),
        (2, "under the shelf: 2-3.1, high speed"),
        (2, "Hub: 2-3.4, 1209:0001"),
        (3, "Carries the network: 2-3.4.2, 1209:0002"),
        (0, "Bus 3"),
        (1, "beside the lamp: 3-2, super speed (one socket at 1-2 and 3-2)"),
    ]


def test_a_path_that_only_leads_further_is_drawn(tmp_path: Path) -> None:
    site = site_of(
        tmp_path,
        "models: {m: {arch: arm64, link: 1 Gb/s, network: internal, "
        'sockets: [{port: "1-10", label: far}, {port: "1-2", label: near}]}}\n',
    )
    topology = topology_of(make_plan(site, Allocations()).plan.models["m"])
    assert [node.title for node in topology.nodes] == ["Bus 1", "near", "far"]


def test_every_picture_is_well_formed_says_what_it_shows_and_is_always_the_same(demo: Plan) -> None:
    drawn = dict(pictures(demo))
    assert drawn == dict(pictures(demo))
    assert {"tree-ridge.svg", "sockets-offices-2.svg", "link-1.svg"} <= drawn.keys()
    svg = [name.removesuffix(".svg") for name in drawn if name.endswith(".svg")]
    assert [name.removesuffix(".png") for name in drawn if name.endswith(".png")] == svg
    for name in svg:
        root = ET.fromstring(drawn[f"{name}.svg"])
        assert root.tag == "{http://www.w3.org/2000/svg}svg", name
        assert root.get("aria-label"), name
        size, words = png_size_and_words(drawn[f"{name}.png"])
        assert size == (2 * int(root.attrib["width"]), 2 * int(root.attrib["height"])), name
        assert words == root.get("aria-label"), name


def png_size_and_words(content: bytes) -> tuple[tuple[int, int], str]:
    """Read chunk by chunk, every check looked at (W3C, Portable Network Graphics)."""
    assert content[:8] == b"\x89PNG\r\n\x1a\n"
    at, chunks = 8, {}
    while at < len(content):
        (length,) = struct.unpack_from(">I", content, at)
        kind, body = content[at + 4 : at + 8], content[at + 8 : at + 8 + length]
        (check,) = struct.unpack_from(">I", content, at + 8 + length)
        assert zlib.crc32(kind + body) == check
        chunks[kind] = body
        at += 12 + length
    assert b"IEND" in chunks and len(zlib.decompress(chunks[b"IDAT"])) > 1000
    keyword, _, rest = chunks[b"iTXt"].partition(b"\0")
    assert keyword == b"Description" and rest[:2] == b"\0\0"
    return struct.unpack_from(">II", chunks[b"IHDR"]), rest[2:].split(b"\0", 2)[2].decode()


def test_a_picture_has_text_in_it_and_other_text_is_another_picture() -> None:
    def drawn(words: str) -> bytes:
        return png_of(alone(picture(60, 20, "a word", text(2, 14, words))), "a word")

    assert drawn("loft") == drawn("loft") != drawn("quay")
    blank = png_of(alone(picture(60, 20, "a word")), "a word")
    assert len(drawn("loft")) > len(blank) + 100


def test_without_the_font_no_picture_is_drawn(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("seatwright.book.png.FONTS", Path("/nowhere"))
    with pytest.raises(NoFont, match=r"/nowhere/DejaVuSans\.ttf"):
        png_of(alone(picture(60, 20, "a word")), "a word")


def test_the_bars_say_in_words_what_fits(demo: Plan) -> None:
    drawn = dict(pictures(demo))
    words = ET.fromstring(drawn["link-1.svg"]).attrib["aria-label"]
    assert words.startswith("A link of 1 Gb/s: microfilm scanner: 304 Mb/s of 37")
    assert "fits alone" in words
    shared = ET.fromstring(drawn["links-shared.svg"]).attrib["aria-label"]
    assert "switch reading-floor: " in shared and "host loft: " in shared


def test_rates_are_in_the_units_people_know() -> None:
    assert [rate_words(8 * n) for n in (1, 1500, 38_000_000)] == ["1 B/s", "1.5 kB/s", "38 MB/s"]
    assert [link_words(n) for n in (10**9, 480_000_000)] == ["1 Gb/s", "480 Mb/s"]


def test_texts_are_cut_and_wrapped_to_their_boxes() -> None:
    assert fit("short", 200, 14) == "short"
    assert fit("a" * 90, 200, 14).endswith("…")
    assert wrap("beside the lamp on the left", 120, 14, 2) == ["beside the lamp", "on the left"]
    assert len(wrap("word " * 90, 120, 14, 2)) == 2
    assert wrap("", 120, 14, 2) == [""]


def test_rows_of_seats_are_folded() -> None:
    assert rows_of(["a-1", "a-2", "a-3", "b-1", "a-5", "a-6"]) == [
        "a-1 \N{EN DASH} a-3",
        "b-1",
        "a-5",
        "a-6",
    ]
    assert rows_of([]) == []


def test_a_file_is_written_whole_or_not_at_all(tmp_path: Path) -> None:
    path = tmp_path / "book.html"
    write_whole(path, b"first")
    with pytest.raises(TypeError):
        write_whole(path, "no bytes")  # type: ignore[arg-type]
    assert path.read_bytes() == b"first"
    assert [one.name for one in tmp_path.iterdir()] == ["book.html"]
