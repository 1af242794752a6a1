"""``seatwright check``: everything there is to say of a site, nothing written."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

import click

from seatwright.commands.common import Status, log, say, site_argument, working
from seatwright.commands.planned import PlannedSite, plan_site
from seatwright.findings import Finding, Severity
from seatwright.findings.catalogue import with_severities
from seatwright.findings.formats import FORMATS, Lines, write
from seatwright.policy.checks import check_plan
from seatwright.secrets import FOLDER
from seatwright.site.places import placed
from seatwright.site.read import site_file

WORST_FIRST = tuple(Severity)
LATER = "seatwright: Rules and promises are proved once the errors are mended."


@click.command()
@site_argument
@click.option(
    "--fail-on",
    type=click.Choice([*(one.value for one in WORST_FIRST), "never"]),
    default="warning",
    show_default=True,
    help="From which severity on the exit status is 1.",
)
@click.option("--format", "form", type=click.Choice(FORMATS), default="text")
@click.option("--json", "form", flag_value="json", help="The same as --format json.")
def command(site: Path, fail_on: str, form: str) -> int:
    """Check SITE: read it, plan it, prove its promises and that no onboard device can leave.

    Severities can be set in the site, below settings: findings. Formats for machines and for pull
    requests: json (seatwright schema findings), sarif (2.1.0), junit, markdown.
    """

    def tell(findings: Sequence[Finding], sources: Lines) -> None:
        if form == "text":
            say(findings, sources)
        else:
            click.echo(write(form, findings, sources, failing(fail_on)), nl=False)

    with working("Reading, planning and proving …"):
        try:
            found = plan_site(site, tell)
        except click.exceptions.Exit:
            log(LATER)
            raise
        findings = (*all_findings(found), *_of_today(site, found))
    tell(findings, found.sources)
    if found.errors:
        log(LATER)
    return Status.FINDINGS if fails(findings, fail_on) else Status.FINE


def all_findings(found: PlannedSite) -> tuple[Finding, ...]:
    """What was found in reading, planning and checking, in the order of the files.

    Where lines contradict each other the plan is not what anybody meant, and is not checked.
    """
    reading = found.reading
    proved: list[Finding] = []
    if not found.errors and reading.site is not None:
        problems = check_plan(found.planned.plan)
        proved = with_severities(
            [placed(one, reading.places) for one in problems], reading.site.settings.severities
        )
    number = {file: position for position, file in enumerate(found.sources.files)}

    def order(one: Finding) -> tuple[object, ...]:
        place = one.place
        return number.get(place.file, -1), place.line, place.column, one.slug, one.message

    return tuple(sorted((*found.findings, *proved), key=order))


def _of_today(site: Path, found: PlannedSite) -> list[Finding]:
    """About the certificates beside the site; not of the description, so only a check has them."""
    folder = site_file(site).parent / FOLDER
    if not folder.is_dir() or found.reading.site is None:
        return []
    # Reading certificates takes a library that only sites with such a folder need to wait for.
    from seatwright.secrets.expiry import certificate_problems

    problems = certificate_problems(folder, found.planned.plan, datetime.now(UTC))
    placed_problems = [placed(one, found.reading.places) for one in problems]
    return with_severities(placed_problems, found.reading.site.settings.severities)


def fails(findings: Sequence[Finding], fail_on: str) -> bool:
    """Whether one of them is as bad as that."""
    return any(one.severity in failing(fail_on) for one in findings)


def failing(fail_on: str) -> tuple[Severity, ...]:
    """The severities that are as bad as that."""
    if fail_on == "never":
        return ()
    return WORST_FIRST[: WORST_FIRST.index(Severity(fail_on)) + 1]
