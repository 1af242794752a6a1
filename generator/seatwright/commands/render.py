"""``seatwright render``: the roles and the inventory of a site, written all or nothing."""

from __future__ import annotations

import gc
import json
import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import click

from seatwright.commands.check import all_findings
from seatwright.commands.common import Refused, Status, log, say, site_argument, working
from seatwright.commands.planned import plan_site
from seatwright.findings import Severity
from seatwright.findings.words import printable
from seatwright.planning import Planned
from seatwright.render.difference import Difference, line_by_line
from seatwright.render.errors import HandEdits, RenderError, WriteError
from seatwright.render.output import output
from seatwright.render.repository import FOLDER, Repository, find_repository, other_host_kinds
from seatwright.render.write import compared, locked, recover, refuse_hand_edits, write
from seatwright.site.allocations import (
    FILE_NAME,
    Allocations,
    format_allocations,
    write_allocations,
)

LISTED = 30
"""Files that the log names one by one; the rest is counted."""


@click.command()
@site_argument
@click.option("--check", is_flag=True, help="Write nothing; status 1 where a render would.")
@click.option("--overwrite", is_flag=True, help="Write over rendered files changed by hand.")
@click.option("--diff", is_flag=True, help="Print the differences line by line.")
@click.option("--json", "as_json", is_flag=True, help="Print what changed as JSON.")
def command(site: Path, check: bool, overwrite: bool, diff: bool, as_json: bool) -> int:
    """Render SITE: roles/ and ansible.cfg at the root of its repository, rendered/ beside SITE.

    Each directory is replaced as a whole or not at all. A render that was interrupted is
    finished first.
    """
    if diff and as_json:
        raise click.UsageError("--diff and --json cannot be printed both.")
    if not os.path.lexists(site):
        raise Refused(f"There is no {site}.", f"Name a site's file or folder: {FOLDER}/<name>.")
    with _refusing(), _collector_at_rest():
        repository = find_repository(site)
        with locked(repository.root):
            for place in recover(repository.root):
                log(f"Finished what an interrupted render had begun: {place}.")
            return _render(site, repository, Wishes(check, overwrite, diff, as_json))


@dataclass(frozen=True, slots=True)
class Wishes:
    """The options of this run."""

    check: bool
    overwrite: bool
    diff: bool
    as_json: bool


@contextmanager
def _collector_at_rest() -> Iterator[None]:
    """No search for circular garbage: of ten thousand seats none is, and looking takes a third."""
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()


@contextmanager
def _refusing() -> Iterator[None]:
    """What keeps a render from being done, as every verb says it."""
    try:
        yield
    except HandEdits as error:
        for what, path in error.edits:
            log(f"{what} by hand: {printable(path)}")
        raise Refused(error.message, error.hint, Status.FINDINGS) from error
    except WriteError as error:
        raise Refused(error.message, error.hint, Status.MISSING) from error
    except RenderError as error:
        raise Refused(error.message, error.hint) from error


def _render(site: Path, repository: Repository, wishes: Wishes) -> Status:
    planned = _sound_plan(site)
    if planned is None:
        return Status.FINDINGS
    with working("Rendering …"):
        wanted = output(repository.name, planned.plan, other_host_kinds(repository))
        found = compared(repository.root, wanted)
    numbers = repository.site.parent / FILE_NAME
    new_numbers = _differs(numbers, planned.allocations)
    if not (wishes.check or wishes.overwrite):
        refuse_hand_edits(found)
    if wishes.diff:
        for line in line_by_line(repository.root, wanted, found.changes):
            click.echo(line)
    if not wishes.check:
        # First the numbers: they are input, and what is rendered below uses them.
        write_allocations(numbers, planned.allocations)
        write(repository.root, wanted, found)
    _say_changes(found, new_numbers, wishes)
    differs = bool(found.changes or new_numbers)
    return Status.FINDINGS if wishes.check and differs else Status.FINE


def _sound_plan(site: Path) -> Planned | None:
    """The plan; None where errors forbid to render it, which have then been said."""
    with working("Reading, planning and proving …"):
        found = plan_site(site)
        errors = [one for one in all_findings(found) if one.severity is Severity.ERROR]
    if not errors:
        return found.planned
    say(errors, found.sources)
    log("seatwright: a site with errors is not rendered; nothing was written.")
    return None


def _differs(file: Path, allocations: Allocations) -> bool:
    """Whether the numbers kept on the disk are others than those the plan was made with."""
    try:
        return file.read_bytes() != format_allocations(allocations).encode()
    except FileNotFoundError:
        return True


def _say_changes(found: Difference, new_numbers: bool, wishes: Wishes) -> None:
    if wishes.as_json:
        changes = found.changes
        document = {
            "added": changes.added,
            "changed": changes.changed,
            "removed": changes.removed,
            "changed_by_hand": found.edits.paths,
            "left_alone": found.foreign,
            "new_numbers": new_numbers,
        }
        click.echo(json.dumps(document, indent=1))
    lines = [f"{what} {printable(path)}" for what, path in found.changes]
    for line in lines[:LISTED]:
        log(f"  {line}")
    if len(lines) > LISTED:
        log(f"  and {len(lines) - LISTED} more")
    for path in found.foreign:
        log(f"{path} is not ours and was left as it is; see that roles_path = roles stands in it.")
    if new_numbers:
        log(f"{FILE_NAME}: {'would have' if wishes.check else 'has'} new numbers; commit it.")
    log(_summed_up(found, wishes.check))


def _summed_up(found: Difference, check: bool) -> str:
    changes = found.changes
    if not changes:
        return "Everything is as it would be rendered." if check else "Nothing to change."
    counts = ((changes.added, "added"), (changes.changed, "changed"), (changes.removed, "removed"))
    words = ", ".join(f"{len(paths)} {word}" for paths, word in counts if paths)
    return f"Not as it would be rendered: {words}." if check else f"Rendered: {words}."
