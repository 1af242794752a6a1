"""Runs the program that hands out tickets, without holding up the picture meanwhile."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from seatwright.client.ticket import Ticket, TicketError, read_ticket
from seatwright.client.toolkit import Gio, GLib

PATIENCE = 20
"""Seconds the program may take."""

Answer = Callable[[Ticket | TicketError], None]


def ask_ticket(command: tuple[str, ...], answer: Answer) -> None:
    """Run the program and answer once: with the ticket, or with why there is none."""
    try:
        process = Gio.Subprocess.new(list(command), Gio.SubprocessFlags.STDOUT_PIPE)
    except GLib.Error as error:
        answer(TicketError(f"it could not be started: {error.message}"))
        return
    late = [False]

    def too_late() -> bool:
        late[0] = True
        process.force_exit()
        return False

    timer = GLib.timeout_add_seconds(PATIENCE, too_late)

    def ended(_: Any, result: Any) -> None:
        if not late[0]:
            GLib.source_remove(timer)
        answer(_outcome(process, result, late[0]))

    process.communicate_async(None, None, ended)


def _outcome(process: Any, result: Any, late: bool) -> Ticket | TicketError:
    try:
        _, printed, _ = process.communicate_finish(result)
    except GLib.Error as error:
        return TicketError(str(error.message))
    if late:
        return TicketError(f"it did not end within {PATIENCE} s")
    if not process.get_successful():
        return TicketError("it failed")
    try:
        return read_ticket(bytes(printed.get_data() or b""))
    except TicketError as error:
        return error
