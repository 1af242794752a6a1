"""Running guests: how far they are behind, what can be done while they run, and restarts.

What can be done live is libvirt's to say: a redirection port can be attached and a display's
password changed, while the filter, the controllers and the display's transport need a new start.
So does its certificate, which QEMU reads once: what a display shows is asked of itself.
"""

from __future__ import annotations

import difflib
import time
from collections import deque
from collections.abc import Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import libvirt
from ansible.module_utils import guest_xml
from lxml import etree

SOCKET_TABLES = ("/proc/net/tcp", "/proc/net/tcp6")
ESTABLISHED = "01"
LOOK_AGAIN = 0.5
ANSWER_SECONDS = 5
"""How long a display may take to show its certificate."""
EVERYWHERE = ("0.0.0.0", "::")
READERS = 2
AHEAD = 16
"""Definitions that are asked for before they are needed, which keeps memory flat."""
# Without the secure flag the password would be lost when a definition is stored again.
STORED = libvirt.VIR_DOMAIN_XML_INACTIVE | libvirt.VIR_DOMAIN_XML_SECURE


class NotStarted(Exception):
    """A guest that was off for its new definition did not come up with it."""


def read(domain: libvirt.virDomain, flags: int = 0) -> etree._Element:
    """A domain's definition, secrets included."""
    return etree.fromstring(domain.XMLDesc(flags | libvirt.VIR_DOMAIN_XML_SECURE))


def stored(domains: Iterable[libvirt.virDomain | None]) -> Iterator[Future[str] | None]:
    """The stored definition of each, in their order, while libvirt is at work on the next ones;
    None for None.  All on the one connection, which threads may share.
    """
    asked: deque[Future[str] | None] = deque()
    with ThreadPoolExecutor(READERS) as readers:
        for domain in domains:
            asked.append(readers.submit(domain.XMLDesc, STORED) if domain is not None else None)
            if len(asked) > AHEAD:
                yield asked.popleft()
        yield from asked


def is_alive(connection: libvirt.virConnect) -> bool:
    """Whether libvirt still answers on this connection."""
    try:
        return connection.isAlive() == 1
    except libvirt.libvirtError:
        return False


def close(connection: libvirt.virConnect) -> None:
    """Close it; one that is lost closes by itself."""
    if is_alive(connection):
        connection.close()


@dataclass
class Live:
    """A running guest beside its plan; with ``check`` nothing is done to it, but seen as if it were."""

    domain: libvirt.virDomain
    guest: dict
    check: bool

    def __post_init__(self) -> None:
        self.seen = read(self.domain)

    def set_password(self) -> bool:
        """Give it the planned password; whoever is connected stays. True where it had another."""
        graphics = guest_xml.graphics_of(self.seen)
        planned = self.guest.get("password")
        if graphics is None or not planned:
            return False
        until = self.guest.get("valid_until")
        if (graphics.get("passwd"), graphics.get("passwdValidTo")) == (planned, until):
            return False
        guest_xml.set_password(graphics, self.guest)
        if not self.check:
            graphics.set("connected", "keep")
            self._do(self.domain.updateDeviceFlags, graphics)
        return True

    def add_ports(self) -> bool:
        """Attach the planned ports that it lacks; True where there were any."""
        missing = guest_xml.ports_to_add(self.seen, self.guest)
        for port in map(guest_xml.port_element, missing):
            if self.check:
                self.seen.find("devices").append(port)
            else:
                self._do(self.domain.attachDeviceFlags, port)
        return bool(missing)

    def _do(self, call, element: etree._Element) -> None:
        call(etree.tostring(element, encoding="unicode"), libvirt.VIR_DOMAIN_AFFECT_LIVE)
        self.seen = read(self.domain)

    def behind(self) -> list[str]:
        """The lines in which it differs from its plan, each with ``+`` or ``-`` before it."""
        has = guest_xml.current_view(self.seen, self.guest)
        lines = difflib.ndiff(has, guest_xml.wanted_view(self.guest))
        return [line for line in lines if line[0] in "+-"] + self._certificate()

    def _certificate(self) -> list[str]:
        planned, graphics = self.guest.get("certificate"), guest_xml.graphics_of(self.seen)
        if not planned or graphics is None or _shows(graphics, planned):
            return []
        return ["- certificate: the one it was started with", "+ certificate: as planned"]

    def possible(self) -> list[str]:
        """Those of them that can be done while it runs: ports that there is room for."""
        missing = guest_xml.ports_to_add(self.seen, self.guest)
        return [f"+ {guest_xml.port_line(port)}" for port in missing]


@dataclass
class Restarts:
    """Restarts of one run, one guest after the other; none after one that did not come up."""

    when: str
    connected_too: bool
    seconds: int
    stopped_by: str = ""

    @staticmethod
    def of(params: dict) -> Restarts:
        """As the module was asked to."""
        return Restarts(
            params["restart"], params["restart_connected"], params["shutdown_seconds"]
        )

    def catch_up(
        self,
        connection: libvirt.virConnect,
        domain: libvirt.virDomain,
        guest: dict,
        done: dict,
        check: bool,
    ) -> dict:
        """Restart a guest that is behind, where that was asked for; what there is to say then."""
        if not done["behind"] or self.when == "never":
            return {}
        if self.stopped_by:
            return {"said": f"not restarted: {self.stopped_by} did not come up"}
        before = read(domain)
        if not self.connected_too and connected(_display_ports(before)):
            return {"said": "not restarted: somebody is connected"}
        if check:
            return {"changed": True, "said": "would be restarted"}
        if not self._switch_off(domain):
            said = (
                f"not restarted: it was asked to shut down and has not within {self.seconds} s; "
                "if it does later, it stays off"
            )
            return {"changed": True, "said": said}
        self._switch_on(connection, domain, guest["name"], before)
        live = Live(domain, guest, False)
        return {"changed": True, "said": "restarted", "behind": live.behind(), "live": []}

    def _switch_off(self, domain: libvirt.virDomain) -> bool:
        """Ask it to shut down; switch it off where that is asked for. False: it is still on."""
        domain.shutdown()
        deadline = time.monotonic() + self.seconds
        while domain.isActive():
            if time.monotonic() > deadline:
                if self.when != "now":
                    return False
                domain.destroy()
                break
            time.sleep(LOOK_AGAIN)
        return True

    def _switch_on(
        self,
        connection: libvirt.virConnect,
        domain: libvirt.virDomain,
        name: str,
        before: etree._Element,
    ) -> None:
        """Start it; where that fails, with what it ran with before."""
        try:
            domain.create()
        except libvirt.libvirtError as problem:
            self.stopped_by = name
            connection.defineXML(etree.tostring(before, encoding="unicode"))
            domain.create()
            raise NotStarted(
                f"it did not start with its new definition ({problem}) and runs with the old one"
            ) from problem


def _shows(graphics: etree._Element, planned: str) -> bool:
    """Whether a running guest's display shows this certificate; so it is said of a silent one."""
    import ssl  # takes as long to load as a hundred guests to compare, and few runs need it

    address = graphics.get("listen") or EVERYWHERE[0]
    where = "localhost" if address in EVERYWHERE else address
    try:
        shown = ssl.get_server_certificate(
            (where, int(graphics.get("tlsPort") or 0)), timeout=ANSWER_SECONDS
        )
    except OSError:
        return True
    # Of a chain the display's own comes first; words may stand before it, and lines may be of
    # another length.
    first = planned.partition(ssl.PEM_HEADER)[2].partition(ssl.PEM_FOOTER)[0]
    first = f"{ssl.PEM_HEADER}{first}{ssl.PEM_FOOTER}"
    return ssl.PEM_cert_to_DER_cert(shown) == ssl.PEM_cert_to_DER_cert(first)


def _display_ports(live: etree._Element) -> set[int]:
    """TCP ports on which its display can be reached."""
    graphics = guest_xml.graphics_of(live)
    found = [] if graphics is None else [graphics.get("port"), graphics.get("tlsPort")]
    return {int(port) for port in found if port and int(port) > 0}


def connected(ports: set[int]) -> bool:
    """Whether a connection to one of these TCP ports of this machine is open (proc(5), net/tcp)."""
    return any(_open_at(Path(table), ports) for table in SOCKET_TABLES)


def _open_at(table: Path, ports: set[int]) -> bool:
    if not table.exists():
        return False
    for line in table.read_text().splitlines()[1:]:
        words = line.split()
        if words[3] == ESTABLISHED and int(words[1].rpartition(":")[2], 16) in ports:
            return True
    return False
