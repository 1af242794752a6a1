"""What all verbs share: exit statuses, refusals, where findings and logs go."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from enum import IntEnum
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from seatwright.findings import Finding, Severity
from seatwright.findings.formats import Lines, format_text, print_findings, summary
from seatwright.findings.words import printable

if TYPE_CHECKING:
    from seatwright.site.read import Reading


class Status(IntEnum):
    """Exit statuses, the same for every verb."""

    FINE = 0
    FINDINGS = 1
    UNUSABLE = 2
    MISSING = 3
    INTERRUPTED = 130
    PIPE_CLOSED = 141


STATUSES = """\b
Exit statuses:
  0    fine
  1    there are findings, or the rendered files are not what they should be
  2    the input cannot be used (the command line or the site)
  3    something is missing on this machine
  130  interrupted (141: whoever read the output went away)"""


class Refused(Exception):
    """The verb cannot do what it was asked for: what is wrong, and what to do about it."""

    def __init__(self, message: str, hint: str = "", status: Status = Status.UNUSABLE) -> None:
        super().__init__(message)
        self.message, self.hint, self.status = message, hint, status


def already_there(path: Path) -> Refused:
    """What to raise for a file that a person may have made, and that stays."""
    return Refused(
        f"{printable(str(path))} is there already, and was left as it is.",
        "Give another name, or take that file away first.",
    )


@dataclass(slots=True)
class Options:
    """The options before the verb; kept in click's context, read with ``options()``."""

    traceback: bool = False
    colour: bool = True


def options() -> Options:
    """The options of this run."""
    found = click.get_current_context().find_object(Options)
    return found or Options()


def log(text: str) -> None:
    """A line for the person at the terminal, not part of the result: on stderr."""
    click.echo(text, err=True)


@contextmanager
def working(what: str) -> Iterator[None]:
    """Shows the person at a terminal that long work goes on; elsewhere nothing."""
    if not sys.stderr.isatty() or os.environ.get("TERM") == "dumb":
        yield
        return
    from rich.console import Console

    with Console(stderr=True, no_color=not options().colour).status(what):
        yield


def wants_colour() -> bool:
    """Whether findings go to a terminal that may have colours (https://no-color.org)."""
    allowed = options().colour and not os.environ.get("NO_COLOR")
    return allowed and sys.stdout.isatty() and os.environ.get("TERM") != "dumb"


def say(findings: Sequence[Finding], sources: Lines) -> None:
    """Findings on stdout, in colour on a terminal; a last line counts them."""
    if wants_colour():
        from rich.console import Console

        print_findings(findings, sources, Console())
    elif findings:
        click.echo(f"{format_text(findings, sources)}\n{summary(findings)}")
    else:
        click.echo(summary(findings))


def worst(findings: Sequence[Finding]) -> Status:
    """The status that findings end a verb with: errors and warnings count, notes do not."""
    serious = any(found.severity is not Severity.NOTE for found in findings)
    return Status.FINDINGS if serious else Status.FINE


Tell = Callable[[Sequence[Finding], Lines], None]
"""Says findings to whoever runs the verb."""


def usable_site(path: Path, tell: Tell = say) -> Reading:
    """Read a site that the verb needs; where it cannot be used, tell its findings and end with 2.

    The findings of a usable site (notes and warnings) are the caller's to say.
    """
    from seatwright.site.read import read_site

    reading = read_site(path)
    if reading.site is None:
        tell(reading.findings, reading.sources)
        raise click.exceptions.Exit(Status.UNUSABLE)
    return reading


def site_argument(function: Callable[..., Any]) -> Callable[..., Any]:
    """The argument SITE: a site's file, or the folder that has a ``site.yml``."""
    kind = click.Path(path_type=Path)
    return click.argument("site", metavar="SITE", type=kind)(function)
