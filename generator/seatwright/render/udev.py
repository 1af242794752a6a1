"""Node permissions as udev rules: which USB device nodes the session's user may open.

The rules are read after the distribution's own (74-seatwright.rules comes after 70-uaccess.rules,
which tags cameras, readers and more for whoever sits there, and after 73-seat-late.rules, which
lets those tagged be opened).  A tag cannot be taken back from an event that had it, only for later
ones, and neither can what 73 asked udev to run; so where a node stays closed, one more thing is
run after it: a mode without rights for the group masks every right that an ACL gives.  Everything
starts closed; owner, group and mode are assigned with ``:=`` so that no later file opens what is
closed here.

What udev sees of a device differs from what the session sees: ``ID_USB_INTERFACES`` has the
interfaces of all configurations and alternate settings, each class triple once.  So a node can
stay closed though the active configuration would pass.  The other way round there are three
things that udev cannot tell: descriptors that stop its reader early, a last interface without any
endpoint (its reader ends just before), and a device without an active configuration.  The session
decides those (it is strict and reads what the kernel reads).

Source: udev(7), systemd 252; src/udev/udev-builtin-usb_id.c for the form of ID_USB_INTERFACES.
"""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Sequence
from functools import lru_cache

from seatwright.plan import NodeKey, PlannedOnboard, RuleSet, SocketRules
from seatwright.render.quote import udev_match, udev_value
from seatwright.usb.classes import HUB
from seatwright.usb.portpath import parse_port_path, sort_port_paths

GROUP = "seat"
"""The group of the session's user, made by the role seat_base."""
DEFERRED_CLASSES = (0x00, 0xEF)
"""Device classes that say: look at the interfaces (USB 2.0, 9.6.1; the EF interface ECN)."""
MOST_INTERFACES = 24
"""udev's list ends after 72 different interfaces; one of so many is no honest device's."""

KEEP = 'GOTO="seatwright_keep"'
OPEN = 'GOTO="seatwright_open"'
END = 'GOTO="seatwright_end"'


def udev_rules(rules: RuleSet, onboard: Sequence[PlannedOnboard]) -> tuple[str, ...]:
    """The lines of 74-seatwright.rules for a rule set on a model."""
    body = (*_head(), *_protections(onboard), *_sockets(rules.sockets), *_room(rules))
    return (*body, *_tail(any(line.endswith(OPEN) for line in body)))


def _head() -> Iterator[str]:
    yield "# Which USB device nodes the session's user may open. Made by seatwright."
    yield f'ACTION=="remove", {END}'
    yield f'SUBSYSTEM!="usb", {END}'
    yield f'ENV{{DEVTYPE}}!="usb_device", {END}'
    yield 'TAG-="uaccess"'


def _protections(onboard: Sequence[PlannedOnboard]) -> Iterator[str]:
    """What stays closed whatever the policy says."""
    if onboard:
        yield "# Onboard: exactly these places, whatever is there."
        ports = sort_port_paths({device.port for device in onboard})
        yield f"KERNEL=={_kernel_names(ports)}, {KEEP}"
    yield "# Hubs."
    yield f'ATTR{{bDeviceClass}}=="{HUB:02x}", {KEEP}'
    yield f'ENV{{ID_USB_INTERFACES}}=="{interface_glob([HUB])}", {KEEP}'
    yield "# No interface, a list that breaks off, or more interfaces than udev lists."
    yield f'ENV{{ID_USB_INTERFACES}}!=":*:", {KEEP}'
    yield f'ENV{{ID_USB_INTERFACES}}=="{":??????" * MOST_INTERFACES}:*", {KEEP}'


def _sockets(sockets: Sequence[SocketRules]) -> Iterator[str]:
    """The longest port path decides, so it is asked for first."""
    ports = {port: number for number, socket in enumerate(sockets, 1) for port in socket.ports}
    for port in sorted(ports, key=lambda one: (-parse_port_path(one).tier, parse_port_path(one))):
        names = _kernel_names((port, f"{port}.*"))
        yield f'KERNEL=={names}, GOTO="seatwright_socket_{ports[port]}"'
    if sockets:
        yield 'GOTO="seatwright_room"'
    for number, socket in enumerate(sockets, 1):
        label = json.dumps(socket.label, ensure_ascii=True)
        yield from _part(f"socket_{number}", f"Socket {label}.", socket.nodes)


def _room(rules: RuleSet) -> Iterator[str]:
    """Where no socket speaks; without sockets nothing jumps here (udev wants no unused label)."""
    first, label, *rest = _part("room", "Everywhere else.", rules.nodes)
    yield from (first, label, *rest) if rules.sockets else ("# Everywhere.", *rest)


def _kernel_names(names: Iterable[str]) -> str:
    """Kernel names joined as a match; the port paths in them are checked, the rest is ours."""
    for name in names:
        parse_port_path(name.removesuffix(".*"))
    return f'"{"|".join(names)}"'


def _part(name: str, comment: str, nodes: Sequence[NodeKey]) -> Iterator[str]:
    """The keys that hold at some places; what none of them opens stays closed."""
    yield f"# {comment}"
    yield f'LABEL="seatwright_{name}"'
    for key in nodes:
        yield from _key(key)
    if not any(_ids(key) == "" for key in nodes):
        yield KEEP


def _key(key: NodeKey) -> Iterator[str]:
    """Open if the classes fit, else keep; later keys are not asked for these ids."""
    classes = _classes(key.classes, key.inverted)
    if classes is not None:
        yield f"{_ids(key)}{classes}{OPEN}"
    if classes != "":
        yield f"{_ids(key)}{KEEP}"


def _ids(key: NodeKey) -> str:
    """Matches for the ids of a key, each followed by a comma."""
    attributes = (
        ("idVendor", key.vendor),
        ("idProduct", key.product),
        ("bcdDevice", key.bcd_device),
    )
    return "".join(
        f"ATTR{{{name}}}=={udev_match(f'{value:04x}')}, "
        for name, value in attributes
        if value is not None
    )


@lru_cache(maxsize=4096)
def _classes(classes: tuple[int, ...], inverted: bool) -> str | None:
    """Matches for the classes of a key, each followed by a comma; None where none can pass."""
    passing = set(range(256)).difference(classes) if inverted else set(classes)
    if not passing - {HUB}:
        return None
    refused = set(range(256)) - passing
    if not refused - {HUB}:
        return ""
    device = f'ATTR{{bDeviceClass}}=="{class_glob({*passing, *DEFERRED_CLASSES})}", '
    if refused - {HUB} <= set(DEFERRED_CLASSES):
        device = ""
    return f'{device}ENV{{ID_USB_INTERFACES}}!="{interface_glob(refused)}", '


def _tail(opens: bool) -> Iterator[str]:
    yield "# Final: later files cannot change it."
    yield 'LABEL="seatwright_keep"'
    yield 'TAG=="uaccess", RUN+="/bin/chmod 0600 $devnode"'
    yield f'OWNER:="root", GROUP:="root", MODE:="0600"{f", {END}" if opens else ""}'
    if opens:
        yield 'LABEL="seatwright_open"'
        yield f'OWNER:="root", GROUP:={udev_value(GROUP)}, MODE:="0660"'
    yield 'LABEL="seatwright_end"'


def class_glob(classes: Collection[int]) -> str:
    """A udev pattern that fits exactly the two-digit class codes of ``classes``."""
    return "|".join(_code_globs(classes))


def interface_glob(classes: Collection[int]) -> str:
    """A udev pattern that fits a list of interfaces in which any has one of ``classes``.

    The list is ``:ccsspp:ccsspp:`` with class, subclass and protocol as lower-case hex.
    """
    return "|".join(f"*:{code}????:*" for code in _code_globs(classes))


def _code_globs(classes: Collection[int]) -> list[str]:
    """Two-character globs that together fit exactly ``classes``: first digits that have the same
    second digits share one."""
    seconds: dict[int, set[int]] = defaultdict(set)
    for code in classes:
        seconds[code >> 4].add(code & 15)
    firsts: dict[frozenset[int], set[int]] = defaultdict(set)
    for first, digits in seconds.items():
        firsts[frozenset(digits)].add(first)
    return [
        f"{_digit_glob(alike)}{_digit_glob(digits)}"
        for digits, alike in sorted(firsts.items(), key=lambda item: min(item[1]))
    ]


def _digit_glob(digits: Collection[int]) -> str:
    """A glob for one hex digit out of ``digits``, the shorter of "one of" and "none of"."""
    if len(digits) == 16:
        return "?"
    if len(digits) == 1:
        return f"{min(digits):x}"
    if len(digits) > 8:
        return f"[!{_hex(set(range(16)) - set(digits))}]"
    return f"[{_hex(digits)}]"


def _hex(digits: Iterable[int]) -> str:
    return "".join(f"{digit:x}" for digit in sorted(digits))
