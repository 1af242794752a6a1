"""Numbers that are given once and kept: of seats, and the TCP ports of guests' displays.

They are kept in ``allocations.yml`` beside the site, so that adding a seat renumbers nobody.
A number whose seat or guest is gone is retired: it comes back to the same name, and goes to
another one only where nothing else is left.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

Numbers = Mapping[str, int]
"""A number for each name."""

NONE: Mapping[str, int] = MappingProxyType({})


@dataclass(frozen=True, slots=True)
class Allocations:
    """``seats`` by seat name from 1; ``spice_ports`` by host, then guest, each a TCP port."""

    seats: Numbers = NONE
    spice_ports: Mapping[str, Numbers] = field(default_factory=dict)
    retired_seats: Numbers = NONE
    retired_ports: Mapping[str, Numbers] = field(default_factory=dict)
