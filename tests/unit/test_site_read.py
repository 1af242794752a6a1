"""Reading a site: joined over files, every error in one run, and what is made of it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from seatwright.findings import Severity
from seatwright.site import compose, parts
from seatwright.site.places import place_of
from seatwright.site.read import Reading, read_site
from seatwright.site.types import Carries, Match, Site, Speed, Verdict
from seatwright.usb.device import Interface
from support.bigsite import write_big_site

ROOT = Path(__file__).parents[2]
DEMO = ROOT / "inventories" / "fennmoor" / "site.yml"

HEAD = "seatwright: 1\nsite: Fennmoor Town Archive\n"


def read(folder: Path, **files: str) -> Reading:
    """Read a site of these files: ``site`` without its first two lines, others by their stem."""
    (folder / "site.yml").write_text(HEAD + files.pop("site", ""), encoding="utf-8")
    for name, text in files.items():
        (folder / f"{name}.yml").write_text(text, encoding="utf-8")
    return read_site(folder / "site.yml")


def said(reading: Reading) -> list[tuple[str, str, int]]:
    """Slug, file and line of every finding."""
    return [(one.slug, Path(one.place.file).name, one.place.line) for one in reading.findings]


@pytest.fixture(scope="module")
def demo() -> Site:
    reading = read_site(DEMO)
    assert reading.findings == ()
    assert reading.site is not None
    return reading.site


def test_the_demo_is_what_it_should_be(demo: Site) -> None:
    seats = [seat for room in demo.rooms.values() for seat in room.seats]
    assert len(demo.rooms) >= 4
    assert len(seats) >= 40
    assert {host.kind for host in demo.hosts.values()} == {"libvirt", "systemd", "commands"}
    assert len({host.restart for host in demo.hosts.values()}) > 1
    assert {model.arch for model in demo.models.values()} == {"arm64", "amd64"}
    assert {model.network for model in demo.models.values()} == {"usb", "internal"}
    adapter = next(one for one in demo.models["ridge"].onboard if one.carries is Carries.NETWORK)
    assert adapter.port.count(".") == 2  # behind two onboard hubs
    assert any(seat.model for seat in seats)
    assert any(seat.policy for seat in seats)
    assert any(len(promise.devices) > 1 for promise in demo.promises)
    systems = [room.guests for room in demo.rooms.values()]
    assert {system.agent for system in systems} == {system.xhci_driver for system in systems}
    assert {True, False} == {system.agent for system in systems}
    assert any(system.no_driver_for for system in systems)
    assert any(system.started_by for system in systems)


def test_the_demo_s_policies_use_every_feature(demo: Site) -> None:
    of_rooms = [line for policy in demo.policies.values() for line in policy.lines]
    of_sockets = [
        line
        for policy in demo.policies.values()
        for lines in policy.sockets.values()
        for line in lines
    ]
    lines = [*of_rooms, *of_sockets]
    matches = [line.match for line in lines]
    assert of_sockets
    assert {line.verdict for line in lines} == set(Verdict)
    assert Match() in matches  # everything
    assert any(match.peripheral for match in matches)
    assert any(match.vendor is None and match.usb_classes for match in matches)
    assert any(match.vendor and match.product is None for match in matches)
    by_id = [match for match in matches if match.product and not match.peripheral]
    assert any(match.bcd_device is not None for match in by_id)
    assert any(match.usb_classes for match in by_id)
    assert any(match.bcd_device is None and not match.usb_classes for match in by_id)


def test_values_of_the_demo(demo: Site) -> None:
    socket = demo.models["ridge"].sockets[1]
    assert (socket.ports, socket.label, socket.speed) == (
        ("1-2", "3-2"),
        "beside the lamp",
        Speed.SUPER,
    )
    scanner = demo.peripherals["film-scanner"]
    assert (scanner.vendor, scanner.product, scanner.needs) == (0x1209, 4, 304_000_000)
    assert scanner.interfaces == (Interface(6), Interface(255))
    assert demo.peripherals["headset"].bcd_device == 0x0110
    assert demo.peripherals["headset"].title == "headset"
    assert demo.settings.idle_after == 600
    front = demo.rooms["front-desk"]
    assert [seat.name for seat in front.seats] == ["fd-1", "fd-2", "fd-3"]
    assert (front.seats[0].guest, front.seats[1].guest) == ("front-desk", None)


def test_lines_keep_their_words_and_their_path(demo: Site) -> None:
    [line] = [
        line
        for line in demo.policies["office"].lines
        if line.match.product == 0x10 and not line.match.peripheral
    ]
    assert line.text == '{id: "1209:0010", class: [image, printer]}'
    assert line.match == Match(0x1209, 0x10, None, (6, 7))
    assert line.path == ("policies", "office", "offer", 4)


def test_a_composite_peripheral_stands_for_the_classes_it_needs(demo: Site) -> None:
    lines = {line.text: line for line in demo.policies["studio"].lines}
    assert lines["document-camera"].match.usb_classes == (1, 14)
    assert lines["field-recorder"].match.usb_classes == (1, 8)  # 0xEF says nothing
    desk = {line.text: line for line in demo.policies["desk"].lines}
    assert desk["signature-pad"].match.usb_classes == ()  # no interface is known


def test_a_folder_stands_for_its_site_file() -> None:
    assert read_site(DEMO.parent).site == read_site(DEMO).site


def test_a_site_without_a_file(tmp_path: Path) -> None:
    reading = read_site(tmp_path / "nowhere" / "site.yml")
    assert reading.site is None
    assert [one.slug for one in reading.findings] == ["unreadable-file"]


@pytest.mark.parametrize("name", ["x" * 5000, "a/" * 3000, "\udcff"])
def test_a_path_that_cannot_be(name: str) -> None:
    assert [one.slug for one in read_site(name).findings] == ["unreadable-file"]


def test_all_errors_of_all_files_in_one_run_and_in_order(tmp_path: Path) -> None:
    reading = read(
        tmp_path,
        site="files: [models.yml, rooms.yml, gone.yml]\nsettings: {batch: 0%, restrat: now}\n",
        models="models: {vale: {arch: arm63, link: 1 Gb/s, network: internal}}\n",
        rooms="rooms:\n  map-room: {policy: readers, seats: [mr-1, mr-1]}\n",
    )
    assert reading.site is None
    assert said(reading) == [
        ("no-such-file", "site.yml", 3),
        ("bad-value", "site.yml", 4),
        ("unknown-key", "site.yml", 4),
        ("bad-value", "models.yml", 1),
        ("unknown-name", "rooms.yml", 2),
        ("seat-without-host", "rooms.yml", 2),
        ("seat-without-model", "rooms.yml", 2),
        ("duplicate-name", "rooms.yml", 2),
    ]


def test_a_broken_value_hides_no_other_and_breaks_no_reference(tmp_path: Path) -> None:
    """``vale`` cannot be read, but it is described: its rooms are not wrong as well."""
    reading = read(
        tmp_path,
        site="models: {vale: {arch: x, link: 1 Gb/s, network: internal}}\n"
        'hosts: {quay: {address: quay, listen: "::", spice-ports: none}}\n'
        "policies: {readers: {keep: [[audio]], redirect: [hid]}}\n"
        "rooms: {map-room: {policy: readers, model: vale, host: quay, seats: [mr-1]}}\n",
    )
    assert [one.slug for one in reading.findings] == ["bad-value", "bad-value", "wrong-form"]


def test_one_name_in_two_files(tmp_path: Path) -> None:
    model = "models: {vale: {arch: arm64, link: 1 Gb/s, network: internal}}\n"
    reading = read(tmp_path, site="files: [a.yml, b.yml]\n", a=model, b=model)
    [found] = reading.findings
    assert (found.slug, Path(found.place.file).name) == ("duplicate-name", "b.yml")
    assert [Path(place.file).name for place, _ in found.also] == ["a.yml"]


def test_lists_are_joined_over_files(tmp_path: Path) -> None:
    promise = "promises: [{device: PLACE, keep: true}]\n"
    reading = read(
        tmp_path,
        site="files: [a.yml, b.yml]\n" + promise.replace("PLACE", "x"),
        a=promise.replace("PLACE", "y"),
        b=promise.replace("PLACE", "z"),
    )
    assert said(reading) == [
        ("unknown-name", "site.yml", 4),
        ("unknown-name", "a.yml", 1),
        ("unknown-name", "b.yml", 1),
    ]
    assert Path(reading.places.find(("promises", 2)).file).name == "b.yml"


def test_a_file_named_by_two_patterns_is_read_once(tmp_path: Path) -> None:
    model = "models: {vale: {arch: arm64, link: 1 Gb/s, network: internal}}\n"
    assert read(tmp_path, site="files: [a*.yml, a.yml]\n", a=model).findings == ()


@pytest.mark.parametrize(
    ("pattern", "slug"),
    [
        ("../x.yml", "outside-folder"),
        ("rooms/../../x.yml", "outside-folder"),
        ("/etc/hostname", "outside-folder"),
        ("~/x.yml", "outside-folder"),
        ("link.yml", "outside-folder"),
        ("nothing/*.yml", "no-such-file"),
        ("[", "no-such-file"),
        ("site.yml", "not-a-part"),
        ("./site.yml", "not-a-part"),
        ("allocations.yml", "not-a-part"),
        ("*/plan.yml", "not-a-part"),
        ('"a\\0b"', "bad-value"),
        ('""', "bad-value"),
    ],
)
def test_files_that_are_no_parts(tmp_path: Path, pattern: str, slug: str) -> None:
    folder = tmp_path / "site"
    (folder / "rendered").mkdir(parents=True)
    (folder / "rendered" / "plan.yml").touch()
    (folder / "allocations.yml").touch()
    (tmp_path / "x.yml").touch()
    (folder / "link.yml").symlink_to(tmp_path / "x.yml")
    pattern = f'"{pattern}"' if pattern[0] in "[*~" else pattern
    assert said(read(folder, site=f"files: [{pattern}]\n"))[0] == (slug, "site.yml", 3)


def test_a_file_that_disappears_while_it_is_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It is there when the patterns are looked up, and gone when it is opened."""
    there = parts.parts_of

    def then_gone(root: object, path: Path) -> Iterator[object]:
        for part in there(root, path):  # type: ignore[arg-type]
            (path.parent / "a.yml").unlink(missing_ok=True)
            yield part

    monkeypatch.setattr("seatwright.site.read.parts_of", then_gone)
    reading = read(tmp_path, site="files: ['*a.yml']\n", a="models: {}\n")
    assert said(reading) == [("unreadable-file", "site.yml", 3)]


def test_an_unknown_version_is_all_that_is_said(tmp_path: Path) -> None:
    (tmp_path / "site.yml").write_text("seatwright: 2\nsiet: x\nrooms: nonsense\n")
    assert said(read_site(tmp_path / "site.yml")) == [("unknown-version", "site.yml", 1)]


def test_misspelt_names_get_the_nearest_right_one(tmp_path: Path) -> None:
    reading = read(
        tmp_path,
        site="peripherals: {card-reader: {id: '1209:0003'}}\n"
        "policies: {desk: {redirect: [card-raeder, mass-storag], offer: [smartcard]}}\n",
    )
    assert [one.hint for one in reading.findings] == [
        'Did you mean "card-reader"?',
        'Did you mean "mass-storage"?',
        'Did you mean "smart-card"?',
    ]


def messages(folder: Path, text: str) -> list[str]:
    (folder / "site.yml").write_text(text, encoding="utf-8")
    return [found.message for found in read_site(folder).findings]


def test_a_misspelt_section_is_said_and_not_everything_that_refers_into_it(tmp_path: Path) -> None:
    text = HEAD + (
        'periferals: {scanner: {id: "1209:0003"}}\npolicies: {readers: {redirect: [scanner]}}\n'
    )
    assert messages(tmp_path, text) == ['"periferals" is not a key of the site.']


def test_a_file_that_is_something_else_gets_one_message(tmp_path: Path) -> None:
    (message,) = messages(tmp_path, "allocations: 1\nseats: {}\nspice-ports: {}\n")
    assert message.startswith("This is no description of a site")


def test_a_folder_without_a_site_says_what_to_name(tmp_path: Path) -> None:
    (found,) = read_site(tmp_path).findings
    assert found.slug == "unreadable-file"
    assert found.hint == 'Name the file of a site ("site.yml"), or the folder that it lies in.'


def test_a_label_that_no_model_has_is_said_once(tmp_path: Path) -> None:
    text = HEAD + (
        "models: {ridge: {arch: arm64, link: 1 Gb/s, network: internal,\n"
        '  sockets: [{port: "1-1", label: front}]}}\n'
        "policies: {readers: {sockets: {frnt: {redirect: [image]}}}}\n"
        'hosts: {quay: {address: quay, listen: "::"}}\n'
        "rooms: {hall: {policy: readers, model: ridge, host: quay, seats: [hall-1]}}\n"
    )
    assert messages(tmp_path, text) == ['There is no socket "frnt".']


def test_thousands_of_unknown_names_end_soon(tmp_path: Path) -> None:
    seats = ", ".join(f"{{name: s{n}, model: m{n}}}" for n in range(3000))
    models = ", ".join(
        f"x{n}: {{arch: arm64, link: 1 Gb/s, network: internal}}" for n in range(3000)
    )
    hosts = 'hosts: {quay: {address: quay, listen: "::", spice-ports: 10000-60000}}\n'
    site = f"models: {{{models}}}\n{hosts}policies: {{p: {{}}}}\n"
    reading = read(
        tmp_path, site=f"{site}rooms: {{r: {{policy: p, host: quay, seats: [{seats}]}}}}"
    )
    assert len(reading.findings) == 3000


def test_severities_of_the_site_s_own(tmp_path: Path) -> None:
    site = "settings: {findings: {room-without-seats: warning}}\npolicies: {p: {}}\n"
    reading = read(tmp_path, site=f"{site}rooms: {{r: {{policy: p}}}}\n")
    assert reading.site is not None
    assert [one.severity for one in reading.findings] == [Severity.WARNING]


def test_places_by_path(tmp_path: Path) -> None:
    reading = read(
        tmp_path,
        site="policies:\n  desk:\n    redirect: [hid]\n    sockets:\n"
        "      front/left: {keep: [hid, printer]}\n",
    )
    find = reading.places.find
    assert find(("policies", "desk"), key=True).line == 4
    assert (find(("policies", "desk", "redirect", 0)).column, find(("site",)).line) == (16, 2)
    in_socket = find(("policies", "desk", "sockets", "front/left", "keep", 1))
    assert (in_socket.line, in_socket.column, in_socket.length) == (7, 32, 7)
    split = find(("policies", "desk", "sockets", "front", "left", "keep", 1))
    assert split == in_socket  # as a path comes back from an origin
    assert find(("policies", "desk", "offer", 3)) == find(("policies", "desk"), key=True)
    assert find(("policies", "none")).line == 3
    assert (find(("nothing",)).line, find(()).line) == (1, 1)


def test_a_place_is_the_node_s(tmp_path: Path) -> None:
    composed = compose.compose_bytes(b"a: [1,\n   two]\n", "x.yml")
    assert composed.root is not None
    two = composed.root.value[0][1].value[1]
    place = place_of(two)
    assert (str(place), place.length) == ("x.yml:2:4", 3)


CONTRADICTIONS = [
    ("redirect: [hid], keep: [hid]", True),
    ("redirect: [hid], keep: ['0x03']", True),
    ("redirect: ['1209:0003'], offer: ['1209:0003']", True),
    ("redirect: ['1209:0003'], keep: [{id: '1209:0003', bcdDevice: '1.00'}]", False),
    ("redirect: [{class: [hid, audio]}], keep: [{class: [audio, hid]}]", True),
    ("redirect: [hid], sockets: {front: {keep: [hid]}}", False),
    ("sockets: {front: {redirect: [hid], keep: [hid]}}", True),
]


@pytest.mark.parametrize(("policy", "wrong"), CONTRADICTIONS)
def test_lines_that_contradict_word_by_word(tmp_path: Path, policy: str, wrong: bool) -> None:
    model = (
        "models: {vale: {arch: arm64, link: 1 Gb/s, network: internal, "
        "sockets: [{port: 1-1, label: front}]}}\n"
    )
    reading = read(tmp_path, site=f"{model}policies: {{desk: {{{policy}}}}}\n")
    assert [one.slug for one in reading.findings] == ["contradiction"] * wrong


MODELS = [
    ('onboard: [{port: "1-1", id: "1209:0001", class: hid}], sockets: [{port: "1-1.1", label: a}]',
     ["hub-not-listed"]),
    ('onboard: [{port: "1-1", id: "1209:0001"}], sockets: [{port: "1-1.1", label: a}]', []),
    ('sockets: [{port: ["1-1", "2-1"], label: a}, {port: "2-1", label: b}]', ["duplicate-port"]),
    ('onboard: [{port: "1-1", id: "1209:0001"}], sockets: [{port: "1-1", label: a}]',
     ["duplicate-port"]),
    ("onboard: []", []),
]  # fmt: skip


@pytest.mark.parametrize(("model", "slugs"), MODELS)
def test_what_is_wrong_with_a_model(tmp_path: Path, model: str, slugs: list[str]) -> None:
    text = f"models: {{vale: {{arch: arm64, link: 1 Gb/s, network: internal, {model}}}}}\n"
    assert [one.slug for one in read(tmp_path, site=text).findings] == slugs


def test_names_of_seats_hosts_and_groups(tmp_path: Path) -> None:
    reading = read(
        tmp_path,
        site="models: {vale: {arch: arm64, link: 1 Gb/s, network: internal}}\n"
        'hosts: {quay: {address: quay, listen: "::"}}\npolicies: {p: {}}\n'
        "rooms: {r: {policy: p, model: vale, host: quay, seats: [quay, clients]}}\n",
    )
    assert [one.slug for one in reading.findings] == ["duplicate-name", "reserved-name"]


def test_the_big_site_has_no_findings_and_is_the_same_every_time(tmp_path: Path) -> None:
    first = write_big_site(tmp_path / "a", seats=1003, rooms=50, models=10)
    second = write_big_site(tmp_path / "b", seats=1003, rooms=50, models=10)
    reading = read_site(first)
    assert reading.findings == ()
    assert reading.site is not None
    assert sum(len(room.seats) for room in reading.site.rooms.values()) == 1003
    assert reading.site == read_site(second).site
    texts = [[path.read_bytes() for path in sorted(one.parent.rglob("*.yml"))] for one in
             (first, second)]  # fmt: skip
    assert texts[0] == texts[1]
