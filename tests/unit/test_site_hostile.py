"""Whatever stands in a site, reading ends with findings or a site, never with a traceback."""

from __future__ import annotations

import copy
import json
import shutil
import tempfile
from pathlib import Path
from typing import Any

import pytest
import yaml
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from seatwright.findings.formats import format_json, format_text
from seatwright.site.read import Reading, read_site

DEMO = Path(__file__).parents[2] / "inventories" / "fennmoor"
FURTHER = sorted((*DEMO.glob("models/*.yml"), *DEMO.glob("rooms/*.yml")))

HOSTILE = [
    "'",
    '"',
    "a\nb",
    "{{ x }}",
    "{% raw %}",
    "$(reboot)",
    "`reboot`",
    "%n",
    "../../etc/passwd",
    "</script>",
    "<!--",
    "😀",
    "a\u202eb",
    "\u200fa",
    "a\u0000b",
    "a\u001b[31mb",
    "\\",
    "~",
    "*",
    "&a",
    "!!str",
    "- x",
    "# x",
    "x: y",
    " x ",
    "",
    "x" * 900,
    "9" * 900,
]


def demo_values() -> dict[str, Any]:
    """The demo as plain values, in one file."""
    values: dict[str, Any] = yaml.safe_load((DEMO / "site.yml").read_text())
    del values["files"]
    for path in FURTHER:
        for key, section in yaml.safe_load(path.read_text()).items():
            values.setdefault(key, {}).update(section)
    return values


VALUES = demo_values()


def read(values: Any) -> Reading:
    """Read values as a site; JSON is YAML, so that nothing is lost in quoting."""
    with tempfile.TemporaryDirectory() as folder:
        shutil.copytree(DEMO / "devices", Path(folder) / "devices")
        shutil.copy(DEMO / "weir.txt", folder)
        file = Path(folder) / "site.yml"
        file.write_text(json.dumps(values, ensure_ascii=False), encoding="utf-8")
        reading = read_site(file)
        text = format_text(reading.findings, reading.sources) + format_json(reading.findings)
        assert "\x1b" not in text
        assert "\u202e" not in text
        return reading


def places_in(values: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """The paths of all values."""
    inner: list[tuple[Any, Any]] = []
    if isinstance(values, dict):
        inner = list(values.items())
    elif isinstance(values, list):
        inner = list(enumerate(values))
    below = [found for key, value in inner for found in places_in(value, (*path, key))]
    return [path, *below] if path else below


PATHS = places_in(VALUES)


def with_value(path: tuple[Any, ...], value: Any) -> dict[str, Any]:
    """The demo with another value at a path."""
    values = copy.deepcopy(VALUES)
    inside = values
    for part in path[:-1]:
        inside = inside[part]
    inside[path[-1]] = value
    return values


def with_key(path: tuple[Any, ...], key: str) -> dict[str, Any]:
    """The demo with another key (or name) at a path."""
    values = copy.deepcopy(VALUES)
    inside: Any = values
    for part in path[:-1]:
        inside = inside[part]
    if isinstance(inside, dict):
        inside[key] = inside.pop(path[-1])
    return values


def test_the_demo_in_one_file_reads() -> None:
    assert read(VALUES).findings == ()


@pytest.mark.parametrize("text", HOSTILE, ids=lambda text: ascii(text)[:20])
def test_hostile_names_are_refused_with_a_message(text: str) -> None:
    for path in [("rooms", "map-room"), ("hosts", "quay"), ("models", "vale")]:
        reading = read(with_key(path, text))
        assert reading.site is None
        [found] = [one for one in reading.findings if one.slug in ("bad-name", "empty-value")]
        assert found.hint
        assert len(found.message) < 200


REFUSED_TEXTS = [
    "a\nb",
    "a\u202eb",
    "\u200fa",
    "a\u0000b",
    "a\u001b[31mb",
    " x ",
    "",
    "x" * 900,
]


@pytest.mark.parametrize("text", HOSTILE, ids=lambda text: ascii(text)[:20])
def test_free_text_is_free_but_for_what_does_not_print(text: str) -> None:
    reading = read(with_value(("rooms", "map-room", "title"), text))
    refused = text in REFUSED_TEXTS or len(text) > 200
    assert (reading.site is None) == refused
    if reading.site:
        assert reading.site.rooms["map-room"].title == text


LEAVES = st.one_of(
    st.none(), st.booleans(), st.integers(), st.floats(allow_nan=False), st.text(max_size=30),
    st.sampled_from(HOSTILE[:-2]),
)  # fmt: skip
ANYTHING = st.recursive(
    LEAVES, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner,
    max_size=3), max_leaves=6,
)  # fmt: skip


@settings(max_examples=200, suppress_health_check=[HealthCheck.too_slow])
@given(st.sampled_from(PATHS), ANYTHING)
def test_anything_as_any_value(path: tuple[Any, ...], value: Any) -> None:
    reading = read(with_value(path, value))
    errors = [one for one in reading.findings if one.severity == "error"]
    assert (reading.site is None) == bool(errors)


@settings(max_examples=80, suppress_health_check=[HealthCheck.too_slow])
@given(st.sampled_from(PATHS), st.text(max_size=20) | st.sampled_from(HOSTILE))
def test_anything_as_any_key(path: tuple[Any, ...], key: str) -> None:
    read(with_key(path, key))


@settings(max_examples=80)
@given(st.sampled_from([DEMO / "site.yml", *FURTHER]), st.data())
def test_any_text_pushed_into_a_file(path: Path, data: st.DataObject) -> None:
    """As somebody types: the file is broken at any place by any text."""
    text = path.read_text()
    at = data.draw(st.integers(0, len(text)))
    gone = data.draw(st.integers(0, 20))
    typed = data.draw(st.text(alphabet="ab1:-[]{},\"'&*#|>!%@\t\n \\\u202eé", max_size=8))
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "site.yml"
        file.write_text(text[:at] + typed + text[at + gone :], encoding="utf-8")
        reading = read_site(file)
        format_text(reading.findings, reading.sources)
