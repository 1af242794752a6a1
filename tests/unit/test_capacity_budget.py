"""What peripherals ask for, what links leave, what fits; worked out by hand beside each case."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from seatwright.capacity.budget import Budget, Row, make_budget
from seatwright.capacity.demand import demand_of
from seatwright.capacity.fits import planned_link
from seatwright.capacity.words import budget_lines, fit_words, time_words
from seatwright.plan import Plan, PlannedFit, from_json, to_json
from seatwright.planning import make_plan
from seatwright.policy.checks import check_plan
from seatwright.policy.proofs import Proofs
from seatwright.site.allocations import Allocations
from seatwright.site.read import read_site
from seatwright.site.types import Speed
from sites import site_of

DEMO = Path(__file__).parents[2] / "inventories" / "fennmoor"

MODELS = """
models:
  ridge:
    arch: arm64
    link: 1 Gb/s
    onboard: [{port: "2-1", id: "1209:0002", carries: network, speed: high}]
    sockets:
      - {port: "2-3", label: shelf}
      - {port: "1-3", label: lamp}
  vale:
    arch: arm64
    link: 100 Mb/s
    network: internal
    sockets: [{port: ["1-1", "2-1"], label: front, speed: super}]
policies: {readers: {redirect: [everything]}}
hosts: {quay: {address: quay.example, listen: "::"}}
"""


def plan_of(folder: Path, peripherals: str, more: str = "") -> Plan:
    text = (
        f"{MODELS}peripherals:\n{peripherals}\n"
        "rooms:\n"
        "  map-room: {policy: readers, model: ridge, host: quay, ports: 2, seats: [a-1 to a-4]}\n"
        f"  reading-room: {{policy: readers, model: vale, host: quay, seats: [b-1]}}\n{more}"
    )
    return make_plan(site_of(folder, text), Allocations()).plan


def rows(plan: Plan, room: str) -> dict[str, Row]:
    budget = make_budget(Proofs(plan))
    return {
        row.peripheral: row for group in budget.groups if group.room == room for row in group.rows
    }


def fit_in(row: Row, socket: str) -> PlannedFit:
    return next(fit for fit in row.fits if socket in fit.sockets)


def test_an_uncompressed_camera_does_not_pass_a_fast_ethernet_link(tmp_path: Path) -> None:
    """640 x 480 pixels of 16 bits, 30 times a second, are 147,456,000 bits."""
    plan = plan_of(
        tmp_path,
        '  camera: {id: "1209:0006", interfaces: [video], '
        "stream: {picture: 640x480, frames: 30, bits: 16}}\n"
        '  unsaid: {id: "1209:0007", interfaces: [video]}\n'
        '  compressed: {id: "1209:0008", interfaces: [video], needs: 20 Mb/s}',
    )
    demand = plan.peripherals["camera"].demand
    assert demand is not None
    assert (demand.rate, demand.basis, demand.transfer) == (147_456_000, "stream", "isochronous")
    unsaid = plan.peripherals["unsaid"].demand
    assert unsaid is not None and (unsaid.rate, unsaid.basis) == (147_456_000, "class")
    found = rows(plan, "reading-room")
    assert {name: row.verdict for name, row in found.items()} == {
        "camera": "does not fit",
        "unsaid": "does not fit",
        "compressed": "fits alone",
    }
    fit = fit_in(found["camera"], "front")
    # 2,304 bytes in each microframe: 2,352 with all headers in two frames of 110 bytes around
    stream = 2304 + 20 + 6 + 22
    assert fit.limit == "link"
    assert fit.leaves == int(80_000_000 * 2304 / (stream + 2 * 110))


def test_an_adapter_on_usb_2_leaves_less_than_its_link_and_half_of_it_on_its_own_bus(
    tmp_path: Path,
) -> None:
    scanner = '  scanner: {id: "1209:0004", interfaces: [image], needs: 38 MB/s, request: 1 MB}'
    plan = plan_of(tmp_path, scanner, "settings: {round-trip: 1 us}\n")
    row = rows(plan, "map-room")["scanner"]
    shelf, lamp = fit_in(row, "shelf"), fit_in(row, "lamp")
    # A full frame of 1,514 + 8 bytes is 3 packets of 55 bytes more: 1,687 of the bus's 7,500 bytes
    # in a microframe; 1 MB of data in 1,000,026 + 16 messages * 6 + 62 records * 22 bytes.
    stream = 1_000_026 + 16 * 6 + 62 * 22
    frames = -(-stream // 1428)
    screen = 20_000_000 / (8 * 1538) * 1687 / 60_000_000
    adapter = frames * (-(-stream // frames) + 72 + 14 + 8 + 3 * 55) / 60_000_000
    own = -(-1_000_000 // 512) * (512 + 55) / 60_000_000
    assert (shelf.limit, shelf.fits) == ("adapter", False)
    assert shelf.leaves == pytest.approx(8e6 * (1 - screen) / (adapter + own), rel=1e-3)
    assert (lamp.limit, lamp.fits) == ("adapter", True)
    assert lamp.leaves == pytest.approx(8e6 * (1 - screen) / adapter, rel=1e-3)
    assert row.verdict == "fits"


def test_without_a_speed_the_adapter_takes_nothing_off(tmp_path: Path) -> None:
    plan = plan_of(tmp_path, '  drive: {id: "1209:000b", interfaces: [mass-storage]}')
    model = plan.models["ridge"]
    slow = planned_link(model, plan.peripherals, 0, 0)
    assert slow.adapter == "high"
    unsaid = from_json(to_json(plan).replace(b'"speed": "high"', b'"speed": null', 1)).models[
        "ridge"
    ]
    fast = planned_link(unsaid, plan.peripherals, 0, 0)
    assert fast.adapter is None
    assert 380_000_000 < slow.leaves < 420_000_000 < 900_000_000 < fast.leaves


@pytest.mark.parametrize("round_trip", [0, 500, 5_000, 50_000])
def test_a_drive_waits_three_times_for_every_120_kib(tmp_path: Path, round_trip: int) -> None:
    plan = plan_of(tmp_path, '  drive: {id: "1209:000b", interfaces: [mass-storage]}')
    at_once = planned_link(plan.models["vale"], plan.peripherals, 0, 0).fits["drive"][0]
    fit = planned_link(plan.models["vale"], plan.peripherals, 0, round_trip).fits["drive"][0]
    seconds = 8 * 122_880 / at_once.leaves + 3 * round_trip / 1e6
    assert fit.leaves == pytest.approx(8 * 122_880 / seconds, rel=1e-6)
    assert fit.copy == pytest.approx(1e9 / 122_880 * seconds * 1000, rel=1e-4)
    assert fit.limit == ("link" if round_trip == 0 else "round-trip")


def test_a_drive_at_super_speed_is_asked_for_more_at_a_time(tmp_path: Path) -> None:
    plan = plan_of(
        tmp_path,
        '  drive: {id: "1209:000b", interfaces: [mass-storage], speed: super}\n'
        '  told: {id: "1209:000c", interfaces: [mass-storage], request: 64 kB}',
    )
    demands = {name: one.demand for name, one in plan.peripherals.items()}
    assert demands["drive"] is not None and demands["drive"].request == 1024 * 1024
    assert demands["told"] is not None and demands["told"].request == 64_000
    assert demands["told"].trips == 3


def test_the_socket_s_speed_counts_where_it_is_the_slower(tmp_path: Path) -> None:
    plan = plan_of(tmp_path, '  drive: {id: "1209:000b", interfaces: [mass-storage], speed: super}')
    model = plan.models["ridge"]
    (fit,) = planned_link(model, plan.peripherals, 0, 0).fits["drive"][1:]
    assert (fit.sockets, fit.limit) == (("lamp",), "adapter")


def test_sound_and_movements_come_late_with_the_round_trip(tmp_path: Path) -> None:
    peripherals = (
        '  headset: {id: "1209:0005", interfaces: [audio, hid]}\n'
        '  tablet: {id: "1209:0008", interfaces: [hid]}'
    )
    plan = plan_of(tmp_path, peripherals)
    near = planned_link(plan.models["vale"], plan.peripherals, 0, 20_000)
    assert [near.fits[name][0].delay for name in ("headset", "tablet")] == [70_000, 18_000]
    assert all(fits[0].fits for fits in near.fits.values())
    far = planned_link(plan.models["vale"], plan.peripherals, 0, 190_000)
    assert [far.fits[name][0].fits for name in ("headset", "tablet")] == [False, False]
    assert far.fits["tablet"][0].limit == "round-trip"


def test_a_fast_serial_port_waits_for_every_4_kib(tmp_path: Path) -> None:
    serial = '  logger: {id: "1209:0009", interfaces: [communications, cdc-data], needs: 3 Mb/s}'
    plan = plan_of(tmp_path, serial)
    near, far = (
        planned_link(plan.models["vale"], plan.peripherals, 0, trip).fits["logger"][0]
        for trip in (1_000, 20_000)
    )
    assert (near.fits, far.fits, far.limit) == (True, False, "round-trip")
    assert far.leaves < 8 * 4096 / 0.020


def test_descriptors_say_rate_packets_and_speed(tmp_path: Path) -> None:
    """The demo's headset: 192 bytes out and 96 in each millisecond, 16 each 8 ms for its keys."""
    site = read_site(DEMO).site
    assert site is not None
    demand = demand_of(site.peripherals["headset"])
    assert (demand.rate, demand.basis) == ((192 + 96) * 8 * 1000 + 16 * 8 * 125, "descriptors")
    assert (demand.speed, demand.packet, demand.transfer) == ("full", 192, "isochronous")


def test_three_packets_in_a_microframe_are_high_speed(tmp_path: Path) -> None:
    camera = (
        "Bus 001 Device 002: ID 1209:0006\nDevice Descriptor:\n bDeviceClass 0\n"
        " bDeviceSubClass 0\n bDeviceProtocol 0\n idVendor 0x1209\n idProduct 0x0006\n"
        " bcdDevice 1.00\n bNumConfigurations 1\nConfiguration Descriptor:\n"
        " bNumInterfaces 1\n bConfigurationValue 1\n"
    )
    for alternate, size in ((0, None), (1, "0x0200"), (2, "0x1400")):
        camera += (
            f"Interface Descriptor:\n bInterfaceNumber 0\n bAlternateSetting {alternate}\n"
            " bInterfaceClass 14\n bInterfaceSubClass 2\n bInterfaceProtocol 0\n"
        )
        if size:
            camera += (
                "Endpoint Descriptor:\n bEndpointAddress 0x81\n bmAttributes 5\n"
                f" wMaxPacketSize {size}\n bInterval 1\n"
            )
    (tmp_path / "camera.txt").write_text(camera)
    plan = plan_of(
        tmp_path, '  camera: {id: "1209:0006", interfaces: [video], descriptors: camera.txt}'
    )
    demand = plan.peripherals["camera"].demand
    assert demand is not None
    assert (demand.speed, demand.packet, demand.rate) == ("high", 3072, 3072 * 8 * 8000)


BROKEN_FILES = {
    "cut": (b"\x12\x01\x00\x02", "does not fit here"),
    "zero-length": (b"\x12\x01" + bytes(16) + b"\x00\x04", "does not fit here"),
    "no text": (b"\xff\xfe\x00\x01", "no device stands here"),
    "empty": (b"", "no device stands here"),
    "another": (
        b"\x12\x01\x00\x02\x00\x00\x00\x40\x09\x12\x99\x00\x00\x01\x00\x00\x00\x00",
        "describes 1209:0099, not 1209:0005",
    ),
    "hostile": (b"Bus 001 Device 002: ID 1209:0005\n\x1b[31mDevice\xe2\x80\xae:", "no device"),
}


@pytest.mark.parametrize("name", BROKEN_FILES)
def test_a_file_that_says_nothing_of_the_device_is_an_error(tmp_path: Path, name: str) -> None:
    content, said = BROKEN_FILES[name]
    (tmp_path / "headset.bin").write_bytes(content)
    (tmp_path / "site.yml").write_text(
        "seatwright: 1\nsite: Fennmoor\nperipherals:\n"
        '  headset: {id: "1209:0005", descriptors: headset.bin}\n'
    )
    reading = read_site(tmp_path)
    assert reading.site is None
    (found,) = reading.findings
    assert found.slug == "unreadable-descriptors"
    assert said in found.message
    assert found.message.isprintable()
    assert (found.place.line, found.place.column) == (4, 43)


@pytest.mark.parametrize("keys", ["picture: 8x6", "frames: 3", "", "samples: 8000"])
def test_a_stream_whose_keys_do_not_go_together_is_an_error(tmp_path: Path, keys: str) -> None:
    (tmp_path / "site.yml").write_text(
        "seatwright: 1\nsite: Fennmoor\npolicies: {p: {redirect: [camera]}}\nperipherals:\n"
        f'  camera: {{id: "1209:0006", stream: {{bits: 16, {keys}}}}}\n'
    )
    assert {one.slug for one in read_site(tmp_path).findings} == {"wrong-keys"}


def test_a_file_of_descriptors_lies_in_the_site_s_folder(tmp_path: Path) -> None:
    (tmp_path / "site").mkdir()
    (tmp_path / "outside.txt").write_text("x")
    (tmp_path / "site" / "link.txt").symlink_to(tmp_path / "outside.txt")
    for name in ("../outside.txt", "link.txt"):
        (tmp_path / "site" / "site.yml").write_text(
            "seatwright: 1\nsite: Fennmoor\nperipherals:\n"
            f'  headset: {{id: "1209:0005", descriptors: {name}}}\n'
        )
        assert [one.slug for one in read_site(tmp_path / "site").findings] == ["outside-folder"]


def test_what_people_plug_in_together_is_added_up(tmp_path: Path) -> None:
    plan = plan_of(
        tmp_path,
        '  scanner: {id: "1209:0004", interfaces: [image], needs: 30 MB/s, request: 1 MB}\n'
        '  camera: {id: "1209:0006", interfaces: [video], needs: 25 MB/s}\n'
        '  reader: {id: "1209:0003", interfaces: [smart-card]}',
    )
    found = rows(plan, "map-room")
    assert {name: row.verdict for name, row in found.items()} == {
        "scanner": "fits alone",
        "camera": "fits alone",
        "reader": "fits",
    }
    assert found["scanner"].beside == fit_in(found["camera"], "lamp").share


UPLINKS = """switches:
  core: {uplink: 10 Gb/s}
  floor: {uplink: 1 Gb/s, behind: core}
  cellar: {uplink: 2 Gb/s, behind: core}
"""


def test_an_uplink_is_crossed_where_the_host_is_not_behind_it(tmp_path: Path) -> None:
    text = (
        MODELS.replace('listen: "::"', 'listen: "::", switch: cellar, link: 1 Gb/s')
        + UPLINKS
        + 'peripherals: {drive: {id: "1209:000b", interfaces: [mass-storage], needs: 4 MB/s}}\n'
        "settings: {screen: 10 Mb/s, at-once: 50%}\n"
        "rooms:\n"
        "  map-room: {policy: readers, model: ridge, host: quay, switch: floor, "
        "seats: [a-1 to a-4]}\n"
        "  reading-room: {policy: readers, model: vale, host: quay, switch: cellar, seats: [b-1]}\n"
    )
    plan = make_plan(site_of(tmp_path, text), Allocations()).plan
    shared = {one.name: one for one in make_budget(Proofs(plan)).shared}
    assert {name: one.seats for name, one in shared.items()} == {
        "core": 0,
        "floor": 4,
        "cellar": 4,
        "quay": 5,
    }
    demand = plan.peripherals["drive"].demand
    assert demand is not None and demand.rate == 32_000_000
    busy = shared["floor"].worst // 4 - 10_000_000
    assert 32_000_000 * 1.05 < busy < 32_000_000 * 1.15  # with all headers
    assert shared["floor"].at_once == 2 * busy + 4 * 10_000_000
    assert shared["quay"].worst == 5 * (busy + 10_000_000)


def test_what_needs_says_has_an_effect_on_findings(tmp_path: Path) -> None:
    slow = '  drive: {id: "1209:000b", interfaces: [mass-storage], needs: %s}'
    few = {one.slug for one in check_plan(plan_of(tmp_path, slow % "1 MB/s"))}
    many = {one.slug for one in check_plan(plan_of(tmp_path, slow % "40 MB/s"))}
    assert not few & {"link-too-slow", "too-far-away", "only-alone"}
    assert {"link-too-slow", "too-far-away"} <= many


def test_the_plan_keeps_its_numbers_in_json() -> None:
    site = read_site(DEMO).site
    assert site is not None
    plan = make_plan(site, Allocations()).plan
    assert from_json(to_json(plan)) == plan
    links = json.loads(to_json(plan))["links"]
    assert links["ridge/20000000/500"]["fits"]["film-scanner"][0]["limit"] == "adapter"


def test_the_text_names_what_nobody_measured() -> None:
    site = read_site(DEMO).site
    assert site is not None
    plan = make_plan(site, Allocations()).plan
    budget = make_budget(Proofs(plan))
    lines = list(budget_lines(plan, budget))
    (last,) = (line for line in lines if line.startswith("Computed, not measured: "))
    assert "headset" in last and "loan-drive" not in last
    assert list(budget_lines(plan, Budget(groups=(), shared=()))) == []


def test_words() -> None:
    assert [time_words(n) for n in (500, 60_250, 41_000_000, 840_000_000)] == [
        "0.5 ms",
        "60.2 ms",
        "41 s",
        "14 min",
    ]
    fit = PlannedFit(
        sockets=("a", "b"),
        fits=True,
        leaves=9_700_000,
        limit="round-trip",
        share=0,
        copy=None,
        delay=8_250,
    )
    assert fit_words(fit) == "a and b: 9.7 Mb/s left (round trip), 8.25 ms late"
    assert Speed.HIGH.value == "high"
