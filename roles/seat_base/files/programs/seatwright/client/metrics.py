"""The state as a text file that a node exporter collects: ``/run/seatwright/seatwright.prom``.

Let the exporter's text file collector read ``/run/seatwright``.  The file is written with the state
file and removed before each start, so a session that does not come up has none; its age is the
collector's own metric.  Source of the form: OpenMetrics' text format.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from seatwright.client.state import State

STATES = ("starting", "connecting", "shown", "waiting")


def metrics(state: State) -> str:
    """All metrics of one state."""
    return "".join(f"{line}\n" for line in _lines(state))


def _lines(state: State) -> Iterator[str]:
    seat = {"seat": state.seat, "guest": state.guest}
    yield from _head("seatwright_state", "1 for the state that the session is in.")
    for name in STATES:
        yield _sample("seatwright_state", {**seat, "state": name}, int(state.state == name))
    numbers = (
        ("seatwright_ready", "Whether the session is on the screen.", int(state.ready)),
        ("seatwright_idle", "Whether nobody uses the seat.", int(state.idle)),
        ("seatwright_redirected", "Devices at the guest.", len(state.redirected)),
        ("seatwright_waiting", "Devices that wait for a redirection port.", len(state.waiting)),
    )
    for name, sentence, number in numbers:
        yield from _head(name, sentence)
        yield _sample(name, seat, number)
    yield from _head("seatwright_error", "1 for what keeps the guest off the screen.")
    if state.last_error is not None:
        yield _sample("seatwright_error", {**seat, "error": state.last_error}, 1)


def _head(name: str, sentence: str) -> Iterator[str]:
    yield f"# HELP {name} {sentence}"
    yield f"# TYPE {name} gauge"


def _sample(name: str, labels: Mapping[str, str], number: int) -> str:
    words = ",".join(f'{key}="{_quoted(value)}"' for key, value in labels.items())
    return f"{name}{{{words}}} {number}"


def _quoted(text: str) -> str:
    return text.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n")
