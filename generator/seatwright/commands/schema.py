"""``seatwright schema``: the JSON Schemas of what people write and of what the program prints."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path

import click

from seatwright.commands.common import Status, log
from seatwright.site.declare import Schema
from seatwright.site.schema import DIALECT, part_schema, schema_text, site_schema


def plan_schema() -> Schema:
    """The schema of what ``seatwright plan`` prints."""
    from seatwright.plan import plan_schema

    return plan_schema()


def findings_schema() -> Schema:
    """The schema of findings printed as JSON."""
    import msgspec

    from seatwright.findings.formats import FindingsDocument

    content = msgspec.json.schema(FindingsDocument, schema_hook=anything)
    return {"$schema": DIALECT, "title": "Findings", **content}


def trace_schema() -> Schema:
    """The schema of what ``seatwright trace --json`` prints."""
    from seatwright.trace.types import trace_schema

    return trace_schema()


def review_schema() -> Schema:
    """The schema of what ``seatwright review --json`` prints."""
    from seatwright.review.change import review_schema

    return review_schema()


def budget_schema() -> Schema:
    """The schema of what ``seatwright budget --json`` prints."""
    from seatwright.commands.budget import budget_schema

    return budget_schema()


def survey_schema() -> Schema:
    """The schema of what ``seatwright survey --json`` prints."""
    from seatwright.survey.report import survey_schema

    return survey_schema()


def anything(of: type) -> Schema:
    """The schema of a witness's values, which depend on the finding."""
    if of is not object:
        raise NotImplementedError
    return {"description": "Part of a device that shows the finding."}


SCHEMAS: Mapping[str, Callable[[], Schema]] = {
    "site": site_schema,
    "part": part_schema,
    "plan": plan_schema,
    "findings": findings_schema,
    "trace": trace_schema,
    "review": review_schema,
    "survey": survey_schema,
    "budget": budget_schema,
}


@click.command()
@click.argument("what", type=click.Choice(list(SCHEMAS)))
@click.option("--output", "-o", type=click.Path(path_type=Path), help="Write to this file.")
def command(what: str, output: Path | None) -> int:
    """Print a JSON Schema (2020-12).

    \b
    site      a site's file (site.yml)
    part      a further file that the site's file names
    plan      what "seatwright plan" prints
    findings  findings as JSON
    trace     what "seatwright trace --json" prints
    review    what "seatwright review --json" prints
    survey    what "seatwright survey --json" prints
    budget    what "seatwright budget --json" prints
    """
    text = schema_text(SCHEMAS[what]())
    if output is None:
        click.echo(text, nl=False)
    else:
        output.write_text(text, encoding="utf-8")
        log(f"Wrote {output}.")
    return Status.FINE
