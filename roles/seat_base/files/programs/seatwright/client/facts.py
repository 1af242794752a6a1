"""What the keeper knows of a seat, and whether its session should be restarted."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from seatwright.client.services import RUNNING

MODES = ("never", "if-idle", "now")


@dataclass(frozen=True, slots=True)
class Facts:
    """Digests are hexadecimal; ``started`` and ``good`` None where there is none.

    ``session`` is systemd's ActiveState of the session's unit, ``unknown`` where systemd does not
    run or has no such unit.
    """

    disk: str
    started: str | None
    good: str | None
    refused: tuple[str, ...]
    session: str
    idle: bool
    restart_wanted: bool
    support_seconds: int

    @property
    def pending(self) -> bool:
        """Whether the running session was started with other files than are there now."""
        return self.started != self.disk


class Action(StrEnum):
    """What a restart command does."""

    NOTHING = "nothing"
    START = "start"
    RESTART = "restart"
    WAIT = "wait"
    LEAVE = "leave"
    REFUSE = "refuse"


def decide_restart(facts: Facts, mode: str, *, insist: bool = False) -> tuple[Action, str]:
    """The action, and the reason in one sentence. ``insist`` tries refused files once more."""
    if facts.session == "unknown":
        return Action.LEAVE, "systemd does not run the session's unit here"
    if facts.disk in facts.refused and facts.disk != facts.good and not insist:
        return Action.REFUSE, "these files did not come up before; insist to try them once more"
    if facts.session not in RUNNING:
        return Action.START, "the session does not run"
    if not facts.pending:
        return Action.NOTHING, "the session runs with these files"
    if mode == "never":
        return Action.LEAVE, "a running session is left alone"
    if mode == "now":
        return Action.RESTART, "the session runs with other files"
    if facts.idle or facts.session == "activating":
        return Action.RESTART, "the session runs with other files and nobody uses it"
    return Action.WAIT, "somebody uses the seat; the restart waits until it is idle"
