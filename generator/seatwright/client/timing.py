"""When to try again, and when a seat counts as idle. Pure: the clock is handed in (seconds)."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

FIRST_WAIT = 0.5
LONGEST_WAIT = 2.0
"""With the jitter and a knock below 5 s, so a seat is back within that of its host's return."""
KNOCK_SECONDS = 2
"""How long a host may take to answer at all: a first packet and one more (Linux tcp(7)).

Finding a name's address is not part of it.
"""
HOPELESS_WAIT = 15.0
"""Where trying again soon cannot help: a refused password, a certificate that is not trusted."""
JITTER = 0.2
"""Share by which waits differ, so that a room of seats does not call all at once."""


@dataclass
class BackOff:
    """How long to wait before the next try; ``random`` gives 0.0 to below 1.0."""

    random: Callable[[], float]
    failures: int = 0

    def next(self, *, hopeless: bool = False) -> float:
        """Seconds until the next try, longer with each failure in a row."""
        self.failures += 1
        wait = min(FIRST_WAIT * 2.0 ** min(self.failures - 1, 10), LONGEST_WAIT)
        if hopeless:
            wait = HOPELESS_WAIT
        return wait * (1 + JITTER * (2 * self.random() - 1))

    def reset(self) -> None:
        """The connection works: the next failure is the first again."""
        self.failures = 0


@dataclass
class Use:
    """Who used the seat last: a person's hands, or the guest moving data of a device.

    A redirected device is in use while the guest sends to it: ``traffic`` holds for each what it
    had sent when we last looked, in bytes.
    """

    idle_after: float
    last_input: float
    last_use: float
    traffic: dict[str, int] = field(default_factory=dict)

    @classmethod
    def begin(cls, now: float, idle_after: float) -> Use:
        """A session that starts counts as being used."""
        return cls(idle_after, last_input=now, last_use=now)

    def typed(self, now: float) -> None:
        """A key or a button was pressed."""
        self.last_input = self.last_use = now

    def look(self, now: float, traffic: dict[str, int]) -> None:
        """Compare what the guest has sent to each device with the last look; new ones count."""
        if any(self.traffic.get(device) != sent for device, sent in traffic.items()):
            self.last_use = now
        self.traffic = dict(traffic)

    def idle(self, now: float) -> bool:
        """Whether nobody and nothing used the seat for ``idle_after``."""
        return now - self.last_use >= self.idle_after

    def until_idle(self, now: float) -> float:
        """Seconds until the seat is idle if nothing happens; 0 where it is."""
        return max(0.0, self.last_use + self.idle_after - now)
