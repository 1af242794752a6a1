"""Whatever a site and a device's descriptors say, there are numbers, and they move as they must."""

from __future__ import annotations

from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st
from msgspec import structs

from seatwright.capacity.fits import planned_link
from seatwright.plan import PlannedLink, PlannedModel, PlannedOnboard, PlannedSocket
from seatwright.plan_records import planned_peripheral
from seatwright.site.types import Peripheral, Speed, Stream
from seatwright.usb.capture import Endpoint, Setting
from seatwright.usb.device import Interface

SPEEDS = st.sampled_from(Speed)
BYTE = st.integers(0, 255)
ENDPOINTS = st.builds(Endpoint, BYTE, BYTE, st.integers(0, 0xFFFF), BYTE)
INTERFACES = st.builds(Interface, st.sampled_from((1, 2, 3, 6, 7, 8, 10, 11, 14, 0x58, 255)))
SETTINGS = st.builds(
    Setting,
    st.integers(0, 3),
    st.integers(0, 3),
    INTERFACES,
    st.lists(ENDPOINTS, max_size=3).map(tuple),
)
PERIPHERALS = st.builds(
    Peripheral,
    name=st.just("device"),
    title=st.just("device"),
    vendor=st.just(0x1209),
    product=st.just(3),
    bcd_device=st.none(),
    device_class=st.just(0),
    interfaces=st.lists(INTERFACES, max_size=3).map(tuple),
    needs=st.none() | st.integers(1, 10**13),
    port_paths_decide=st.just(False),
    path=st.just(("peripherals", "device")),
    stream=st.none() | st.builds(Stream, st.integers(1, 10**12), st.integers(1, 128), st.just("")),
    settings=st.lists(SETTINGS, max_size=4).map(tuple),
    speed=st.none() | SPEEDS,
    request=st.none() | st.integers(1, 10**9),
)


BARE = PlannedModel(
    name="m",
    title="m",
    arch="arm64",
    link=1,
    network="usb",
    onboard=(),
    sockets=(),
    origin="models/m",
)


def model_of(link: int, adapter: Speed | None, sockets: list[Speed]) -> PlannedModel:
    """A model whose adapter is on bus 1, with sockets there and on other buses."""
    device = PlannedOnboard(
        port="1-1",
        vendor=0x1209,
        product=2,
        usb_class=2,
        carries="network",
        origin="o",
        speed=adapter.value if adapter else None,
    )
    described = [
        PlannedSocket(label=f"socket {at}", ports=(f"{1 + at % 2}-{2 + at}",), speed=speed.value)
        for at, speed in enumerate(sockets)
    ]
    return structs.replace(BARE, link=link, onboard=(device,), sockets=tuple(described))


MODELS = st.builds(
    model_of, st.integers(1, 10**11), st.none() | SPEEDS, st.lists(SPEEDS, max_size=4)
)


def numbers(
    model: PlannedModel, peripheral: Peripheral, screen: int, round_trip: int
) -> PlannedLink:
    return planned_link(model, {"device": planned_peripheral(peripheral)}, screen, round_trip)


@given(MODELS, PERIPHERALS, st.integers(0, 10**11), st.integers(0, 10**7))
def test_there_are_always_numbers(
    model: PlannedModel, peripheral: Peripheral, screen: int, round_trip: int
) -> None:
    link = numbers(model, peripheral, screen, round_trip)
    labels = [label for fit in link.fits["device"] for label in fit.sockets]
    assert sorted(labels) == sorted(socket.label for socket in model.sockets)
    for fit in link.fits["device"]:
        assert 0 <= fit.leaves <= 5 * 10**9
        assert fit.leaves <= model.link
        assert fit.share >= 0


@given(MODELS, PERIPHERALS, st.integers(0, 10**9), st.integers(0, 10**6))
def test_farther_or_beside_a_busier_screen_nothing_is_faster(
    model: PlannedModel, peripheral: Peripheral, screen: int, round_trip: int
) -> None:
    peripheral = replace(peripheral, needs=None, stream=None, settings=())
    best = numbers(model, peripheral, screen, round_trip).fits["device"]
    for worse in (
        numbers(model, peripheral, screen * 2, round_trip),
        numbers(model, peripheral, screen, round_trip * 2),
    ):
        for before, after in zip(best, worse.fits["device"], strict=True):
            assert after.leaves <= before.leaves
            assert before.fits or not after.fits
