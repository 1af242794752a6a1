"""The twins of one seat, and the questions that tests ask them."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any

from seatwright.client.config import Rules
from seatwright.twin.descriptors import Shape
from seatwright.twin.emulator import wait_until
from seatwright.twin.pair import Twin
from seatwright.twin.peer import Player

DRIVE = "46f4:0001"
RULES = "/etc/seatwright/rules.json"


@dataclass
class Bench:
    """The twins with what is played into them, and the questions that tests ask."""

    twin: Twin
    player: Player
    rules: Rules

    def plug(self, place: str, kind: str = "drive") -> None:
        self.twin.client.sockets.plug(place, kind)

    def pull(self, place: str) -> None:
        self.twin.client.sockets.pull(place)

    def play(self, place: str, shape: Shape) -> None:
        self.player.plug(place, shape)

    def arrives(self, count: int, *ids: str) -> None:
        """Both sides say so: the session's state file and the guest's emulator."""
        self.twin.client.wait_ids(*ids)
        self.attached(count)

    def attached(self, count: int) -> None:
        what = f"{count} devices at the guest"
        wait_until(what, lambda: self.twin.guest.attached() == count, 30)

    def event(self, name: str, since: str, port: str | None = None) -> dict[str, str]:
        """The first line of this kind in the journal."""

        def look() -> dict[str, str] | None:
            for line in self.twin.client.events(since):
                if line["SEATWRIGHT_EVENT"] == name and port in (None, line.get("SEATWRIGHT_PORT")):
                    return line
            return None

        return wait_until(f"event {name} at {port}", look, 60, every=0.5)

    def connection_lives(self) -> None:
        """The adapter is the client's, and the guest's picture is there over it."""
        client = self.twin.client
        assert client.state()["state"] == "shown", client.state()
        assert "10.0.2.15" in client.shell("ip -br -4 address show scope global")

    def calm(self) -> None:
        places = " ".join(self.twin.client.sockets.plugged())
        self.player.pull_all()
        self.twin.client.sockets.pull_all()
        self.twin.client.wait_state("shown")
        gone = f"cd /sys/bus/usb/devices; for one in {places}; do [ ! -e $one ] || exit 1; done"
        wait_until("end", lambda: self.twin.client.run("sh", "-c", gone).code == 0, 30, every=0.5)
        self.arrives(0)


def as_object(rules: str) -> dict[str, Any]:
    """A rules file to change by hand."""
    found = json.loads(rules)
    assert isinstance(found, dict)
    return found
