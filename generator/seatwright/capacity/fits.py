"""What the link of a client leaves to a peripheral, and whether that is enough.

All data is counted in one direction, whichever way it goes: a little too careful where a link
carries both ways at full rate.  Three things can be short: the network link (Ethernet and all that
is around the data), the adapter's own USB bus (each frame in packets of that bus; a socket on
the same bus moves all data over it a second time), and the peripheral's own bus.  Bulk data is
besides asked for piece by piece, and each piece waits for its round trips.

Sources beside those of :mod:`.transfers` and :mod:`.wire`: QEMU 7.2, ``hw/usb/redirect.c`` (60 ms
of isochronous data are buffered); ITU-T G.114 (up to 150 ms one way most people do not
notice).  That a movement may come 50 ms late is common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

from seatwright.capacity.demand import SPEEDS
from seatwright.capacity.transfers import LARGEST, Transfer, bus_bytes, bus_rate, most_rate
from seatwright.capacity.wire import (
    AROUND_FRAME,
    ETHERNET_HEADER,
    MTU,
    PLANNED,
    TCP,
    TIME_STAMPS,
    by_pieces,
)
from seatwright.plan import (
    Limit,
    PlannedDemand,
    PlannedFit,
    PlannedLink,
    PlannedModel,
    PlannedPeripheral,
    PlannedSocket,
)
from seatwright.site.types import Speed

DRIVER_HEADER = 8
"""Bytes that the chip of a USB network adapter puts before each frame; common practice."""

COPY = 10**9
"""Bytes of the file whose copying is timed."""

BUFFERED, POLLED = 60_000, 8_000
"""Microseconds: sound that waits in the guest's buffer; between two looks at an input device."""

LATEST: Mapping[str, int] = MappingProxyType({"sound": 150_000, "input": 50_000})
"""Microseconds after which it is too late."""

NEARLY = 0.9
"""Share of what there would be without waiting from which on the waiting is not the reason."""

MILLION = 1_000_000


@dataclass(frozen=True, slots=True)
class Ways:
    """What a client's link and adapter are, beside the screen; the bus of the adapter by number."""

    rate: int
    adapter: Speed | None
    bus: str | None
    screen: int
    round_trip: int


def planned_link(
    model: PlannedModel,
    peripherals: Mapping[str, PlannedPeripheral],
    screen: int,
    round_trip: int,
) -> PlannedLink:
    """The numbers of a model under the assumptions of a room."""
    adapters = [one for one in model.onboard if one.carries == "network"]
    adapter = adapters[0] if model.network == "usb" and adapters else None
    speed = Speed(adapter.speed) if adapter and adapter.speed else None
    if speed is Speed.LOW:  # there are none: at low speed is no bulk data
        speed = Speed.FULL
    bus = adapter.port.partition("-")[0] if adapter else None
    ways = Ways(model.link, speed, bus, screen, round_trip)
    return PlannedLink(
        model=model.name,
        rate=model.link,
        adapter=speed.value if speed else None,
        screen=screen,
        round_trip=round_trip,
        leaves=int(min(left for left, _ in _shared(ways, STREAM, None))),
        fits={
            name: tuple(fits_of(one.demand, model.sockets, ways))
            for name, one in peripherals.items()
            if one.demand
        },
    )


STREAM = PlannedDemand(
    transfer="bulk",
    rate=None,
    basis="class",
    words="one large stream",
    speed="super",
    packet=1024,
    request=64 * 1024,
    trips=0,
    kind=None,
)


def fits_of(
    demand: PlannedDemand, sockets: Sequence[PlannedSocket], ways: Ways
) -> Iterator[PlannedFit]:
    """The numbers in each socket, sockets with the same numbers together."""
    alike: dict[tuple[Speed, bool], list[str]] = {}
    for socket in sockets:
        speed = min(Speed(demand.speed), Speed(socket.speed), key=SPEEDS.index)
        port = _port_of(socket, speed)
        same = speed is ways.adapter and port.partition("-")[0] == ways.bus
        alike.setdefault((speed, same), []).append(socket.label)
    if not alike:
        alike[Speed(demand.speed), False] = []
    for (speed, same), labels in alike.items():
        yield _fit(demand, ways, speed, same, tuple(labels))


def _port_of(socket: PlannedSocket, speed: Speed) -> str:
    """The port path at which a device of this speed shows up: the first is the USB 2 half."""
    return socket.ports[-1] if speed is Speed.SUPER else socket.ports[0]


def _fit(
    demand: PlannedDemand, ways: Ways, speed: Speed, same: bool, labels: tuple[str, ...]
) -> PlannedFit:
    own = _own_rate(demand, speed)
    shared = list(_shared(ways, demand, speed if same else None))
    together = min(left for left, _ in shared)
    leaves, limit = min((*shared, (own, SOCKET)), key=lambda found: found[0])
    waited = _waited(demand, leaves, ways)
    if leaves >= (demand.rate or 0):
        limit = ROUND_TRIP if waited < NEARLY * leaves else limit
        leaves = waited
    delay = _delay(demand, ways)
    late = delay is not None and demand.kind is not None and delay > LATEST[demand.kind]
    enough = demand.rate is None or demand.rate <= leaves
    return PlannedFit(
        sockets=labels,
        fits=enough and not late,
        leaves=int(leaves),
        limit=ROUND_TRIP if late and enough else limit,
        share=round(MILLION * (demand.rate or 0) / max(1.0, together)),
        copy=round(8000 * COPY / max(1.0, waited)) if demand.trips and waited >= 1 else None,
        delay=delay,
    )


LINK: Limit = "link"
ADAPTER: Limit = "adapter"
SOCKET: Limit = "socket"
ROUND_TRIP: Limit = "round-trip"


def _shared(ways: Ways, demand: PlannedDemand, same: Speed | None) -> Iterator[tuple[float, Limit]]:
    """Bits in a second that the link and the adapter leave; ``same``: both are on one bus."""
    transfer = Transfer(demand.transfer)
    unit = demand.request or demand.packet
    stream = PLANNED.packet(transfer, unit)
    yield PLANNED.carries(max(0, ways.rate - ways.screen), transfer, unit), LINK
    if ways.adapter is None:
        return
    bus = bus_rate(ways.adapter)
    frames = PLANNED.frames(stream)
    around = PLANNED.ip + TCP + TIME_STAMPS + ETHERNET_HEADER + DRIVER_HEADER
    seconds = frames * bus_bytes(ways.adapter, Transfer.BULK, -(-stream // frames) + around) / bus
    if same is not None:
        packet = min(demand.packet, LARGEST[same, transfer])
        seconds += -(-unit // packet) * bus_bytes(same, transfer, packet) / bus_rate(same)
    full = MTU + ETHERNET_HEADER + DRIVER_HEADER
    screens = ways.screen / (8 * (MTU + AROUND_FRAME))
    busy = screens * bus_bytes(ways.adapter, Transfer.BULK, full) / bus
    yield max(0.0, 1 - busy) * 8 * unit / seconds, ADAPTER


def wire_rate(demand: PlannedDemand) -> int:
    """Bits in a second that a peripheral takes of a network while it is in use; 0 if not known."""
    transfer, unit = Transfer(demand.transfer), demand.request or demand.packet
    return (demand.rate or 0) * PLANNED.bits(PLANNED.packet(transfer, unit)) // (8 * unit)


def on_wire(rate: int) -> int:
    """Bits in a second that one large stream of that rate takes of a network."""
    stream = PLANNED.packet(Transfer.BULK, STREAM.request)
    return rate * PLANNED.bits(stream) // (8 * STREAM.request)


def _own_rate(demand: PlannedDemand, speed: Speed) -> float:
    """Bits in a second that the peripheral's own bus carries at best; 0 where it has no such."""
    transfer = Transfer(demand.transfer)
    largest = LARGEST.get((speed, transfer))
    return 8 * most_rate(speed, transfer, min(demand.packet, largest)) if largest else 0


def _waited(demand: PlannedDemand, leaves: float, ways: Ways) -> float:
    """Bits in a second where each piece is asked for and waited for; all of it where none is."""
    if not demand.trips:
        return leaves
    return by_pieces(demand.request, demand.trips, ways.round_trip / MILLION, leaves)


def _delay(demand: PlannedDemand, ways: Ways) -> int | None:
    """Microseconds until sound is heard or a movement seen in the guest."""
    if demand.kind is None:
        return None
    return ways.round_trip // 2 + (BUFFERED if demand.kind == "sound" else POLLED)
