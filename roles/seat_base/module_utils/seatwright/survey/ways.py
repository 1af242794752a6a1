"""What the client lives on: the way to its host, the disk of its system, its keyboard.

Each is followed down to the hardware, through bridges, VLANs, bonds, RAID, LVM, crypt, loops and
overlays.  This file is copied to the seat as it is: standard library only.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from ansible.module_utils.seatwright.survey.seen import Address, Look, Mount, Route, SeenAdapter, SeenInput
from ansible.module_utils.seatwright.usb.portpath import PortPath

SYSTEM = ("/", "/usr", "/var", "/etc", "/boot", "/boot/efi", "/boot/firmware")
"""Where the system's own files are mounted. A drive elsewhere (/media/…) may belong to somebody."""
LAYERS = ("lowerdir", "upperdir", "workdir")
"""Options of an overlay that name what it is made of (Documentation/filesystems/overlayfs.rst)."""


@dataclass(frozen=True, slots=True)
class Way:
    """A USB device that the client cannot do without: what it carries, how that is known."""

    port: PortPath
    carries: str
    reason: str
    sure: bool = True


@dataclass(frozen=True, slots=True)
class Ways:
    """What hangs on USB, the adapters on the way that do not, and what could not be followed."""

    on_usb: tuple[Way, ...]
    inside: tuple[str, ...]
    lost: tuple[str, ...]


def ways(look: Look, toward: Sequence[Address] = ()) -> Ways:
    """Everything the client lives on. ``toward`` are addresses of hosts that it has to reach."""
    network, inside, lost = _network(look, toward)
    disks, lost_disks = _disks(look)
    return Ways((*network, *disks, *_inputs(look)), inside, (*lost, *lost_disks))


def _network(
    look: Look, toward: Sequence[Address]
) -> tuple[list[Way], tuple[str, ...], tuple[str, ...]]:
    """Adapters below the interfaces that routes lead over; without any route, all there are."""
    on_usb: list[Way] = []
    inside: list[str] = []
    lost: list[str] = []
    for name, why in _leading(look, toward).items():
        found = list(_hardware(name, look.adapters))
        lost += [] if found else [f"{why} leads over {name}, and what that is made of is not seen"]
        for adapter, over in found:
            if adapter.port is None:
                inside.append(adapter.name)
            else:
                on_usb.append(Way(adapter.port, "network", f"{why} leads over {over}"))
    if not on_usb and not inside:
        lost.append("no route leads anywhere")
        inside += [one.name for one in look.adapters.values() if one.inside]
        reason = "it is a network adapter, and no route tells which one is used"
        ports = (one.port for one in look.adapters.values() if one.port)
        on_usb += [Way(port, "network", reason, sure=False) for port in ports]
    return on_usb, tuple(dict.fromkeys(inside)), tuple(lost)


def _leading(look: Look, toward: Sequence[Address]) -> dict[str, str]:
    """Interfaces that something has to go over, and what."""
    leading: dict[str, str] = {}
    for address in toward:
        if route := best_route(look.routes, address):
            leading.setdefault(route.adapter, f"the route to {address}")
    if look.peer and (route := best_route(look.routes, look.peer)):
        leading.setdefault(route.adapter, "the connection of this survey")
    for route in look.routes:
        if route.network.prefixlen == 0:
            leading.setdefault(route.adapter, "the default route")
    return leading


def best_route(routes: Sequence[Route], address: Address) -> Route | None:
    """The longest prefix wins, then the lowest metric."""
    fitting = [
        one for one in routes if one.network.version == address.version and address in one.network
    ]
    return min(fitting, key=lambda one: (-one.network.prefixlen, one.metric), default=None)


def _hardware(name: str, adapters: Mapping[str, SeenAdapter]) -> Iterator[tuple[SeenAdapter, str]]:
    """The adapters that an interface is made of, each with the chain that leads to it."""
    for chain in _chains(name, lambda one: adapters[one].lower if one in adapters else ()):
        adapter = adapters.get(chain[-1])
        if adapter and (adapter.port or adapter.inside):
            wireless = ", which is wireless" if adapter.wireless else ""
            yield adapter, f"{', made of '.join(chain)}{wireless}"


def _chains(first: str, below: Callable[[str], Sequence[str]]) -> Iterator[tuple[str, ...]]:
    """Every way down to something that is made of nothing else; what leads back up is left out."""
    seen = {first}
    open_: list[tuple[str, ...]] = [(first,)]
    while open_:
        chain = open_.pop(0)
        lower = below(chain[-1])
        if not lower:
            yield chain
        for name in lower:
            if name not in seen:
                seen.add(name)
                open_.append((*chain, name))


def _disks(look: Look) -> tuple[list[Way], tuple[str, ...]]:
    """Disks below the mounts of the system, and below what is swapped to."""
    on_usb: list[Way] = []
    lost: list[str] = []
    tops = {mount.point: mount for mount in look.mounts if mount.point in SYSTEM}
    for point, mount in tops.items():
        names, unknown = _below_mount(look, mount)
        lost += unknown
        what = "the root file system" if point == "/" else point
        on_usb += _usb_disks(look, names, f"{what} is on")
    if lost:
        on_usb += _maybe(look)
    for swap in look.swaps:
        name = _disk_named(look, swap)
        on_usb += _usb_disks(look, [name] if name else [], "the system swaps to")
    return on_usb, tuple(lost)


def _maybe(look: Look) -> Iterator[Way]:
    """Where a layer of the system could not be found: every disk on USB that is in use."""
    for mount in look.mounts:
        for name in _disks_of(look, mount):
            disk = look.disks[name]
            if disk.port:
                reason = f"it is mounted at {mount.point}, and the system's own layers are not seen"
                yield Way(disk.port, "disk", reason, sure=False)


def _usb_disks(look: Look, names: Sequence[str], what: str) -> Iterator[Way]:
    for name in names:
        for chain in _chains(name, lambda one: look.disks[one].lower if one in look.disks else ()):
            disk = look.disks.get(chain[-1])
            if disk and disk.port:
                yield Way(disk.port, "disk", f"{what} {', made of '.join(chain)}")


def _below_mount(look: Look, mount: Mount) -> tuple[list[str], list[str]]:
    """Names of the disks that a mount comes from, through overlays, pools and loops."""
    names: list[str] = []
    lost: list[str] = []
    seen: set[str] = set()
    open_ = [mount]
    while open_:
        one = open_.pop(0)
        if one.point in seen:
            continue
        seen.add(one.point)
        if one.kind == "overlay":
            for path in _layers(one):
                under = _mount_of(look, path, one)
                if under:
                    open_.append(under)
                else:
                    lost.append(f"{one.point} is an overlay of {path}, which no mount has")
            continue
        for name in _disks_of(look, one):
            names.append(name)
            backing = look.disks[name].backing
            under = _mount_of(look, backing, one) if backing else None
            open_ += [under] if under else []
    return names, lost


def _layers(mount: Mount) -> Iterator[str]:
    for key in LAYERS:
        yield from filter(None, mount.options.get(key, "").split(":"))


def _mount_of(look: Look, path: str, besides: Mount) -> Mount | None:
    """The mount that a path is on; what an overlay covers is hidden, so the overlay is none."""
    fitting = [
        one
        for one in look.mounts
        if one is not besides
        and f"{path}/".startswith(f"{one.point.rstrip('/')}/")
        and (one.point != "/" or one.kind != "overlay")
    ]
    return max(fitting, key=lambda one: len(one.point), default=None)


def _disks_of(look: Look, mount: Mount) -> list[str]:
    """By the number of the file system's device; where it has none of its own, by its source."""
    for disk in look.disks.values():
        if disk.number == mount.number:
            return [disk.name]
    name = _disk_named(look, mount.source)
    pool = next((names for names in look.pools.values() if name in names), ())
    return [one for one in pool if one in look.disks] or ([name] if name else [])


def _disk_named(look: Look, path: str) -> str:
    """``/dev/sda2`` or ``/dev/mapper/root``; "" where no disk is called that."""
    if not path.startswith("/dev/"):
        return ""
    word = path.rpartition("/")[2]
    for disk in look.disks.values():
        if word in (disk.name, disk.mapped):
            return disk.name
    return ""


def _inputs(look: Look) -> Iterator[Way]:
    """The keyboard and the pointer in use: the only ones, or those that a program has open."""
    for what, wanted in (("keyboard", True), ("pointer", False)):
        found = [one for one in look.inputs if _is(one, wanted)]
        known = {one.port for one in found if one.open and one.port}
        for port in dict.fromkeys(one.port for one in found if one.port):
            if port in known:
                yield Way(port, "input", f"it is a {what} that a program has open")
            elif len({one.port for one in found}) == 1:
                yield Way(port, "input", f"it is the only {what}")
            elif not known:
                yield Way(port, "input", f"it is one of several {what}s", sure=False)


def _is(one: SeenInput, keyboard: bool) -> bool:
    return one.keyboard if keyboard else one.pointer
