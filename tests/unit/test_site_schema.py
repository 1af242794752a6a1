"""The JSON Schema and the reader agree on form; an outside validator is the judge of the schema."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import jsonschema
import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st

from seatwright.commands.schema import SCHEMAS
from seatwright.site.compose import Loader, compose_bytes
from seatwright.site.kind import Report
from seatwright.site.schema import part_schema, schema_text, site_schema
from seatwright.site.vocabulary import RECORDS, SITE, key

DEMO = Path(__file__).parents[2] / "inventories" / "fennmoor"

CORE: tuple[tuple[str, Any], ...] = (
    (r"~|null|Null|NULL|", lambda text: None),
    (r"true|True|TRUE|false|False|FALSE", lambda text: text.lower() == "true"),
    (r"[-+]?[0-9]+", int),
    (r"0o[0-7]+", lambda text: int(text[2:], 8)),
    (r"0x[0-9a-fA-F]+", lambda text: int(text, 16)),
    (r"[-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)([eE][-+]?[0-9]+)?", float),
)
"""The core schema of YAML 1.2 (chapter 10.3): what an editor makes of plain values."""


def as_editors_see_it(node: yaml.Node) -> Any:
    """A document as JSON, resolved by YAML 1.2's core schema."""
    if isinstance(node, yaml.MappingNode):
        return {str(k.value): as_editors_see_it(value) for k, value in node.value}
    if isinstance(node, yaml.SequenceNode):
        return [as_editors_see_it(entry) for entry in node.value]
    if not node.style:
        for pattern, make in CORE:
            if re.fullmatch(pattern, node.value):
                return make(node.value)
    return node.value


VALIDATOR = jsonschema.Draft202012Validator(site_schema())


def schema_takes(text: str) -> bool:
    """Whether the schema finds nothing wrong with a site's file."""
    return VALIDATOR.is_valid(as_editors_see_it(yaml.compose(text, Loader=Loader)))


def reader_takes(text: str) -> bool:
    """Whether reading finds nothing wrong with the form (names that do not exist are no form)."""
    composed = compose_bytes(text.encode(), "site.yml")
    report = Report()
    if composed.root is not None:
        SITE.read(composed.root, report)
    return not composed.findings and not report.problems


@pytest.mark.parametrize("what", list(SCHEMAS))
def test_schemas_are_schemas(what: str) -> None:
    jsonschema.Draft202012Validator.check_schema(SCHEMAS[what]())


FILES = [DEMO / "site.yml", *sorted(DEMO.glob("models/*.yml")), *sorted(DEMO.glob("rooms/*.yml"))]


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_the_demo_validates(path: Path) -> None:
    schema = site_schema() if path.name == "site.yml" else part_schema()
    document = as_editors_see_it(yaml.compose(path.read_text(), Loader=Loader))
    jsonschema.Draft202012Validator(schema).validate(document)


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_the_demo_names_its_schema_for_editors(path: Path) -> None:
    name = "site" if path.name == "site.yml" else "part"
    line = path.read_text().splitlines()[0]
    schema = line.removeprefix("# yaml-language-server: $schema=")
    assert (path.parent / schema).resolve() == DEMO / "rendered" / "schema" / f"{name}.json"


HEAD = "seatwright: 1\nsite: Fennmoor\n"
MODEL = "models: {vale: {arch: arm64, link: 1 Gb/s, network: internal, %s}}\n"

STREAM = "peripherals: {x: {id: '1209:0003', stream: {%s}}}\n"

FORMS = [
    ("", True),
    ("language: en\n", True),
    ("language: English\n", False),
    ("rooms: {}\n", True),
    ("rooms: []\n", False),
    ("rooms:\n", False),
    ("romos: {}\n", False),
    ("files: [a.yml]\n", True),
    ("files: a.yml\n", False),
    ("settings: {restart: now, idle-after: 5 min, batch: 10%, access-user: ops}\n", True),
    ("settings: {restart: sometimes}\n", False),
    ("settings: {batch: 10}\n", False),
    ("settings: {idle-after: 10}\n", False),
    ("settings: {access-user: Ops}\n", False),
    ("settings: {access-user: seat}\n", False),
    ("settings: {access-user: seats}\n", True),
    ("settings: {findings: {unknown-key: none}}\n", False),
    (MODEL % "title: 1984", True),
    (MODEL % "title: yes", True),
    (MODEL % "title: true", True),
    (MODEL % "title: ~", False),
    (MODEL % "title: ''", False),
    (MODEL % "title: ' x'", False),
    (MODEL % 'title: "a\\u202eb"', False),
    (MODEL % 'title: "a\\nb"', False),
    (MODEL % "title: '{{ x }} </script> 😀'", True),
    (MODEL % f"title: {'x' * 201}", False),
    (MODEL % "sockets: [{port: 1-1, label: a}]", True),
    (MODEL % "sockets: [{port: [1-1, 2-1], label: a, speed: super}]", True),
    (MODEL % "sockets: [{port: [], label: a}]", False),
    (MODEL % "sockets: [{port: 1, label: a}]", False),
    (MODEL % "sockets: [{label: a}]", False),
    (MODEL % "sockets: {port: 1-1, label: a}", False),
    (MODEL % "onboard: [{port: 1-1, id: '1209:0001', class: hub, carries: disk}]", True),
    (MODEL % "onboard: [{port: 1-1, id: '1209:0001', class: 0x09}]", True),
    (MODEL % "onboard: [{port: 1-1, id: '1209:0001', class: 256}]", False),
    (MODEL % "onboard: [{port: 1-1, id: '1209:0001', class: hib}]", False),
    (MODEL % "onboard: [{port: 1-1, id: 1209}]", False),
    ("models: {vale: {arch: arm64, network: internal}}\n", False),
    ("models: {vale: {arch: arm65, link: 1 Gb/s}}\n", False),
    ("models: {vale: {arch: arm64, link: 1}}\n", False),
    ("models: {Vale: {arch: arm64, link: 1 Gb/s}}\n", False),
    ("models: {7: {arch: arm64, link: 1 Gb/s}}\n", True),
    ("peripherals: {x: {id: '1209:0003', bcdDevice: '1.10', interfaces: [hid/1/2, 3]}}\n", True),
    ("peripherals: {x: {id: '1209:0003', bcdDevice: 1.10}}\n", True),
    ("peripherals: {x: {id: '1209:0003', bcdDevice: '1.1'}}\n", False),
    ("peripherals: {x: {id: '1209:0003', interfaces: [hid/1]}}\n", False),
    ("peripherals: {x: {id: '1209:0003', port-paths-decide: yes}}\n", False),
    ("peripherals: {x: {id: '1209:0003', port-paths-decide: 'true'}}\n", False),
    ("policies: {p: {redirect: [hid, 0x08, 8, everything, '1209:*', x-1]}}\n", True),
    ("policies: {p: {redirect: [{id: '1209:*', class: [hid, 1]}]}}\n", True),
    ("policies: {p: {redirect: [{class: []}]}}\n", False),
    ("policies: {p: {redirect: [{}]}}\n", False),
    ("policies: {p: {redirect: [{bcdDevice: '1.10', class: hid}]}}\n", False),
    ("policies: {p: {redirect: [Mass Storage]}}\n", False),
    ("policies: {p: {redirect: ['1209:']}}\n", False),
    ("policies: {p: {redirect: [[hid]]}}\n", False),
    ("policies: {p: {sockets: {beside the lamp: {keep: [hid]}}}}\n", True),
    ("policies: {p: {sockets: {beside the lamp: [hid]}}}\n", False),
    ("hosts: {q: {address: q.example, listen: '::', spice-ports: 5901-5999}}\n", True),
    ("hosts: {q: {address: '2001:db8::1', listen: 0.0.0.0}}\n", True),
    ("hosts: {q: {address: a b, listen: '::'}}\n", False),
    ("hosts: {q: {address: q, listen: quay}}\n", False),
    ("hosts: {q: {address: q, listen: '::', spice-ports: 5901}}\n", False),
    ("hosts: {q: {address: q, listen: '::', uri: system}}\n", False),
    ("rooms: {r: {policy: p, ports: 3, seats: [a, 7, a-1 to a-9, {name: b, ports: 2}]}}\n", True),
    ("rooms: {r: {policy: p, ports: 0}}\n", False),
    ("rooms: {r: {policy: p, ports: '3'}}\n", False),
    ("rooms: {r: {policy: p, ports: 3.5}}\n", False),
    ("rooms: {r: {policy: p, controller: ohci}}\n", False),
    ("rooms: {r: {seats: [a]}}\n", False),
    ("rooms: {r: {policy: p, seats: [Seat 1]}}\n", False),
    ("rooms: {r: {policy: p, seats: [{model: m}]}}\n", False),
    ("rooms: {r: {policy: p, seats: [[a]]}}\n", False),
    ("settings: {screen: 8 Mb/s, round-trip: 0.5 ms, at-once: 10%}\n", True),
    ("settings: {round-trip: 250us}\n", True),
    ("settings: {round-trip: 1 min}\n", False),
    ("settings: {round-trip: fast}\n", False),
    ("rooms: {r: {policy: p, screen: 1 Mb/s, round-trip: 2 ms, at-once: 50%, switch: s}}\n", True),
    ("rooms: {r: {policy: p, screen: much}}\n", False),
    ("switches: {s: {uplink: 1 Gb/s, behind: t}}\n", True),
    ("switches: {s: {behind: t}}\n", False),
    ("hosts: {q: {address: q, listen: '::', link: 10 Gb/s, switch: s}}\n", True),
    ("peripherals: {x: {id: '1209:0003', request: 64 kB, speed: full}}\n", True),
    ("peripherals: {x: {id: '1209:0003', request: 64 kb}}\n", False),
    ("peripherals: {x: {id: '1209:0003', descriptors: devices/x.txt}}\n", True),
    ("peripherals: {x: {id: '1209:0003', descriptors: /etc/passwd}}\n", False),
    (STREAM % "picture: 640x480, frames: 30, bits: 16", True),
    (STREAM % "samples: 48000, channels: 2, bits: 16", True),
    (STREAM % "picture: 640x480, bits: 16", False),
    (STREAM % "picture: 640x480, frames: 30", False),
    (STREAM % "picture: 640x480, frames: 30, channels: 2, bits: 16", False),
    (STREAM % "picture: 640x480, frames: 30, samples: 8000, channels: 1, bits: 16", False),
    (STREAM % "picture: 640, frames: 30, bits: 16", False),
    (MODEL % "onboard: [{port: 1-1, id: '1209:0001', carries: network, speed: high}]", True),
    (MODEL % "onboard: [{port: 1-1, id: '1209:0001', speed: fast}]", False),
    ("promises: [{room: r, device: x, keep: true}]\n", True),
    ("promises: [{device: [x, y], redirect: true}]\n", True),
    ("promises: [{device: x}]\n", False),
    ("promises: [{device: x, keep: true, offer: true}]\n", False),
    ("promises: [{device: x, keep: false}]\n", False),
    ("promises: [{room: r, seat: s, device: x, keep: true}]\n", False),
    ("promises: [{device: [], keep: true}]\n", False),
    ("promises: {device: x, keep: true}\n", False),
]


@pytest.mark.parametrize(("text", "right"), FORMS)
def test_schema_and_reader_agree_on_form(text: str, right: bool) -> None:
    assert (schema_takes(HEAD + text), reader_takes(HEAD + text)) == (right, right)


@pytest.mark.parametrize(
    "text", ["", "[]\n", "seatwright: 1\n", "site: x\n", "seatwright: 2\nsite: x\n"]
)
def test_both_want_version_and_name(text: str) -> None:
    assert not reader_takes(text)
    assert not VALIDATOR.is_valid(text and as_editors_see_it(yaml.compose(text, Loader=Loader)))


ONLY_THE_READER = [
    "settings: {batch: 101%}\n",
    "rooms: {r: {policy: p, ports: 0x10}}\n",
    "rooms: {r: {policy: p, seats: [a-9 to a-1]}}\n",
    "peripherals: {x: {id: '1209:0003', bcdDevice: 1.1}}\n",
    "hosts: {q: {address: q, listen: '::', spice-ports: 99-80}}\n",
    "hosts: {q: {address: q, listen: 1.2.3.999}}\n",
    "settings: {round-trip: 11 s}\n",
    "settings: {round-trip: 0 ms}\n",
    "peripherals: {x: {id: '1209:0003', request: 2 GB}}\n",
    "peripherals: {x: {id: '1209:0003', request: 0 B}}\n",
    MODEL % "sockets: [{port: 99-1, label: a}]",
]
"""What only the text shows, or what a pattern cannot say: the reader refuses more."""


@pytest.mark.parametrize("text", ONLY_THE_READER)
def test_the_reader_refuses_more(text: str) -> None:
    assert not reader_takes(HEAD + text)


WORDS = st.text(alphabet="ab01-. %:*/\"'é\u202e😀", max_size=12)


@given(WORDS, st.sampled_from([place for place, right in FORMS if right and " x" in place]))
def test_what_the_reader_takes_the_schema_takes(word: str, form: str) -> None:
    """In the other direction the schema may be more generous, see above."""
    text = HEAD + form.replace(" x", f" {json.dumps(word)}", 1)
    if reader_takes(text):
        assert schema_takes(text)


def test_every_key_has_its_sentence() -> None:
    for record in RECORDS.values():
        for one in record.keys.values():
            assert one.sentence.endswith("."), one.name
            assert one.sentence[0].isupper() or one.sentence[0] in "\"'", one.name
    text = schema_text(site_schema())
    for record in RECORDS.values():
        for one in record.keys.values():
            assert json.dumps(one.sentence)[1:-1] in text, one.name


def test_keys_by_their_dotted_name() -> None:
    assert key("room.restart").name == "restart"
    assert key("site").name == "site"
    with pytest.raises(KeyError):
        key("room.nothing")


def test_schemas_are_the_same_every_time() -> None:
    assert schema_text(site_schema()) == schema_text(site_schema())
    assert schema_text(part_schema()).endswith("}\n")
