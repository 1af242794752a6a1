"""``seatwright rehearse``: a room on this machine, before the room itself is touched."""

from __future__ import annotations

import json
import os
from collections import Counter
from pathlib import Path

import click

from seatwright.commands.common import Refused, Status, log, site_argument
from seatwright.commands.image import refusing, sound
from seatwright.findings.words import hint_for, shown
from seatwright.image.rehearse import Rehearsal, Stage, rehearse
from seatwright.rehearsal.base import cache_directory
from seatwright.render.errors import RenderError
from seatwright.render.repository import find_repository


@click.command()
@click.argument("room")
@site_argument
@click.option("--json", "as_json", is_flag=True, help="Print the report as JSON.")
def command(room: str, site: Path, as_json: bool) -> int:
    """Rehearse ROOM: its seats as containers here, made as their images are.

    A plain Debian stands in where a model has another processor than this machine, or an image file
    of its own; the report says so. Runs the rendered clients.yml of SITE in check mode, for real,
    and again; looks at the seats; takes them back with remove.yml; and reports. Needs root; no seat
    of the room is touched.
    """
    plan = sound(site).planned.plan
    if room not in plan.rooms:
        raise Refused(f"The site has no room {shown(room)}.", hint_for(room, plan.rooms))
    try:
        repository = find_repository(site)
    except RenderError as error:
        raise Refused(error.message, error.hint) from error
    stage = Stage(plan, repository.root, repository.site.parent, cache_directory())
    with refusing():
        found = rehearse(stage, room, os.getpid(), log)
    click.echo(_json(found) if as_json else "\n".join(report(found)))
    return Status.FINE if found.went_well else Status.FINDINGS


def report(found: Rehearsal) -> list[str]:
    """The rehearsal in lines for a person."""
    lines = [f"{found.room}: {len(found.seats)} seats rehearsed."]
    if found.stand_ins:
        models = ", ".join(found.stand_ins)
        lines.append(
            "Of another processor, or with an image file of its own, so that a plain Debian of "
            f"this machine's stood in: {models}."
        )
    for step in found.steps:
        lines.append(f"{'WRONG' if step.wrong else 'well '}  {step.title}")
        for said, count in sorted(Counter(step.seats.values()).items()):
            names = [name for name, words in step.seats.items() if words == said]
            lines.append(f"         {said}: {count} ({names[0]}{' …' if count > 1 else ''})")
        if step.wrong:
            lines += [f"         wrong at {', '.join(step.wrong)}", step.said]
    lines.append("All went well." if found.went_well else "It went wrong; the room is untouched.")
    return lines


def _json(found: Rehearsal) -> str:
    steps = [
        {"title": one.title, "seats": one.seats, "wrong": list(one.wrong)} for one in found.steps
    ]
    document = {
        "room": found.room,
        "seats": list(found.seats),
        "stand_ins": list(found.stand_ins),
        "steps": steps,
        "went_well": found.went_well,
    }
    return json.dumps(document, indent=1)
