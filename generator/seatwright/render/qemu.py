"""A guest's part of a plain QEMU: what ``-readconfig`` reads, and the options it cannot express.

Formats: QEMU 7.2, ``docs/config`` and the manual page.  Strings in such a file know no escapes, so
everything here is a number or a plain name; a line ends at about 1,000 bytes, and a filter can be
longer, so it goes to all redirection ports with ``-global`` on the command line.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from seatwright.plan import PlannedController, PlannedGuest, PlannedHost, PlannedPort, PlannedRule
from seatwright.policy.proofs import plain
from seatwright.usb.filter import format_rules

EHCI = "ich9-ehci1"
COMPANIONS = (("ich9-usb-uhci1", 0), ("ich9-usb-uhci2", 2), ("ich9-usb-uhci3", 4))
FIRST_SLOT = 0x10
"""PCI slots of the controllers, fixed, so that adding one moves no other device."""

CREDENTIALS = "/run/credentials/seatwright-guest@{}.service"
"""Where systemd puts a unit's credentials (systemd.exec(5)): the password and the TLS files."""


def guest_config(guest: PlannedGuest, host: PlannedHost) -> str:
    """The file: the display with TLS alone, the controllers, the redirection ports."""
    secrets = CREDENTIALS.format(guest.name)
    sections = [
        _section("object", "display", {"qom-type": "secret", "file": f"{secrets}/password"}),
        _section(
            "spice",
            "",
            {
                "addr": host.listen,
                "tls-port": guest.spice_port,
                "x509-dir": secrets,
                "password-secret": "display",
            },
        ),
        *(
            _section("device", name, values)
            for controller in guest.controllers
            for name, values in controller_devices(controller)
        ),
        *(one for port in guest.ports for one in _port(port)),
    ]
    return "\n".join(sections)


def guest_options(rules: tuple[PlannedRule, ...]) -> str:
    """What stands on the command line: one option, without blanks in it."""
    return f"-global usb-redir.filter={filter_text(rules)}"


def filter_text(rules: tuple[PlannedRule, ...]) -> str:
    """Rules as ``usb-redir`` takes them."""
    return format_rules(plain(rules), ":")


def _section(kind: str, name: str, values: Mapping[str, object]) -> str:
    head = f'[{kind} "{name}"]' if name else f"[{kind}]"
    return head + "\n" + "".join(f'  {key} = "{value}"\n' for key, value in values.items())


def controller_devices(one: PlannedController) -> Iterator[tuple[str, dict[str, object]]]:
    """What QEMU calls a controller, as libvirt would give it: ids and properties; EHCI comes with
    its companions.
    """
    name, slot = f"usb{one.index}", FIRST_SLOT + one.index
    if one.kind != EHCI:
        size = {"p2": one.ports, "p3": one.ports}
        yield name, {"driver": one.kind, "addr": f"0x{slot:x}", **size}
        return
    together = {"multifunction": "on"}
    place = {"addr": f"0x{slot:x}.7", **together}
    yield name, {"driver": "ich9-usb-ehci1", **place}
    for function, (model, first) in enumerate(COMPANIONS):
        values = {"driver": model, "masterbus": f"{name}.0", "firstport": first}
        place = {"addr": f"0x{slot:x}.{function}", **together}
        yield f"{name}-{function}", {**values, **place}


def _port(port: PlannedPort) -> Iterator[str]:
    name = f"redir{port.number}"
    yield _section("chardev", name, {"backend": "spicevmc", "name": "usbredir"})
    place = {"bus": f"usb{port.bus}.0", "port": port.port}
    yield _section("device", name, {"driver": "usb-redir", "chardev": name, **place})
