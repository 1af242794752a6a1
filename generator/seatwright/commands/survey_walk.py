"""The walk of ``seatwright survey --sockets``, at a terminal."""

from __future__ import annotations

import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

import click

from seatwright.commands.common import Refused, log
from seatwright.survey.look import read_look
from seatwright.survey.seen import Look
from seatwright.survey.sockets import Walk, walk
from seatwright.survey.sources import Client, Source, SourceError
from seatwright.usb.capture import CaptureError

PAUSE = 0.5
"""Seconds between two looks."""
PLUGGING = 20
"""Looks that something may come or go during, one after the other: a plug that is half in."""


@dataclass(frozen=True, slots=True)
class Terminal:
    """The person at the terminal (on stderr: stdout is for results), and the client."""

    source: Source

    def tell(self, text: str) -> None:
        log(text)

    def ask(self, text: str) -> str:
        """Raises click.Abort at the end of input, which ends the verb as interrupted."""
        answer: str = click.prompt(
            text, default="", show_default=False, prompt_suffix=" ", err=True
        )
        return answer

    def look(self) -> Look:
        """A look at a moment when nothing came or went. Raises SourceError, CaptureError."""
        for _ in range(PLUGGING):
            time.sleep(PAUSE)
            look = read_look(self.source.capture(), self.source.name)
            if not look.changed:
                return look
        raise SourceError("Devices come and go all the time.", "Is a plug loose?")


def walk_through(source: Source) -> Walk:
    """The sockets of a client as somebody walks to them; Refused where it cannot be looked at."""
    if not source.again:
        raise Refused(
            "A capture is of one moment; a walk through the sockets needs the client itself.",
            "Give --ssh CLIENT, or run it on the client.",
        )
    try:
        with _one_connection(source) as shared:
            return walk(Terminal(shared))
    except SourceError as error:
        raise Refused(error.message, error.hint) from None
    except CaptureError as error:
        raise Refused(str(error), error.hint) from None


@contextmanager
def _one_connection(source: Source) -> Iterator[Source]:
    """Over ssh, one connection for all looks."""
    if not isinstance(source, Client):
        yield source
        return
    with tempfile.TemporaryDirectory(prefix="seatwright-") as directory:
        client = replace(source, shared=Path(directory))
        try:
            yield client
        finally:
            client.close()
