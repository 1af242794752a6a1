"""A site's plan, as every verb that needs one gets it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import click

from seatwright.commands.common import Status, Tell, say, usable_site
from seatwright.findings import Finding, Severity
from seatwright.findings.catalogue import with_severities
from seatwright.planning import Planned, make_plan
from seatwright.site.allocations import FILE_NAME, read_allocations
from seatwright.site.places import Sources, placed
from seatwright.site.read import Reading, site_file


@dataclass(frozen=True, slots=True)
class PlannedSite:
    """A plan with what there is to say of the site so far, and the files it was read from."""

    planned: Planned
    reading: Reading
    findings: tuple[Finding, ...]
    sources: Sources

    @property
    def errors(self) -> tuple[Finding, ...]:
        """What keeps the plan from being carried out."""
        return tuple(one for one in self.findings if one.severity is Severity.ERROR)


def plan_site(path: Path, tell: Tell = say) -> PlannedSite:
    """Read a site and its ``allocations.yml`` and plan it.

    Where one of the two cannot be used its findings are told and the verb ends with status 2.
    """
    reading = usable_site(path, tell)
    numbers = read_allocations(site_file(path).parent / FILE_NAME)
    if numbers.allocations is None or reading.site is None:
        tell(numbers.findings, numbers.sources)
        raise click.exceptions.Exit(Status.UNUSABLE)
    planned = make_plan(reading.site, numbers.allocations)
    problems = [placed(problem, reading.places) for problem in planned.problems]
    findings = (*reading.findings, *with_severities(problems, reading.site.settings.severities))
    return PlannedSite(planned, reading, findings, reading.sources.joined(numbers.sources))
