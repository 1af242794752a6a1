"""``seatwright review``: what a change really does, for a pull request."""

from __future__ import annotations

from pathlib import Path

import click

from seatwright.commands.common import Refused, Status, log
from seatwright.findings.words import listed
from seatwright.plan import Plan
from seatwright.policy.algebra.wording import Names
from seatwright.review.change import Review, to_json
from seatwright.review.compare import review
from seatwright.review.markdown import to_markdown
from seatwright.review.side import FOLDER, NoSide, ReadSide, read_side
from seatwright.usb.classes import class_name
from seatwright.usb.ids import system_ids

GATES = ("never", "unpromised", "permissive", "change")


@click.command()
@click.argument("old")
@click.argument("new", default=".")
@click.option("--site", "name", metavar="NAME", help=f"Name of the site's folder below {FOLDER}/.")
@click.option("--repository", type=click.Path(path_type=Path), default=Path("."), hidden=True)
@click.option(
    "--fail-on",
    type=click.Choice(GATES),
    default="never",
    show_default=True,
    help="End with status 1 when a room becomes more permissive without a promise that says so "
    "(unpromised), when one becomes more permissive at all, or when anything changes.",
)
@click.option("--json", "as_json", is_flag=True, help="Print the review as JSON.")
def command(
    old: str, new: str, name: str | None, repository: Path, fail_on: str, as_json: bool
) -> int:
    """Say what the change from OLD to NEW does to whom: two git revisions or two directories.

    NEW is the working tree where it is left out. A directory is the root of a repository or the
    folder of the site.
    """
    site = name or _only_site(repository)
    try:
        before, after = (read_side(asked, site, repository) for asked in (old, new))
    except NoSide as error:
        status = Status.MISSING if error.missing else Status.UNUSABLE
        raise Refused(error.message, error.hint, status) from error
    found = review(before, after, site, _names(before, after))
    click.echo(to_json(found).decode() if as_json else to_markdown(found), nl=False)
    if not found.readable:
        log("seatwright: The two cannot be compared; the findings are above.")
        return Status.UNUSABLE
    return Status.FINDINGS if fails(found, fail_on) else Status.FINE


def fails(found: Review, fail_on: str) -> bool:
    """Whether the change is one to stop at."""
    match fail_on:
        case "unpromised":
            return any(room.unpromised for room in found.rooms)
        case "permissive":
            return any(room.headline in ("more permissive", "both") for room in found.rooms)
        case "change":
            return bool(found.rooms or found.gone or found.guests)
    return False


def _only_site(repository: Path) -> str:
    """The name of the repository's site, where there is only one."""
    sites = sorted(file.parent.name for file in (repository / FOLDER).glob("*/site.yml"))
    if len(sites) == 1:
        return sites[0]
    if not sites:
        raise Refused(
            f"There is no {FOLDER}/<name>/site.yml here, so it is not clear which site is meant.",
            "Go to the root of the repository, or give the name with --site.",
        )
    several = listed(sites, "and")
    raise Refused(f"There are several sites here: {several}.", "Choose one with --site.")


def _names(before: ReadSide, after: ReadSide) -> Names:
    """Devices called as the sites call them, else as the system's usb.ids does."""
    ids = system_ids()
    was, becomes = _onboard(before.plan), _onboard(after.plan)
    titles = {key: f"onboard on {model} before" for key, model in was.items()}
    titles |= {key: f"onboard on {model} from now on" for key, model in becomes.items()}
    titles |= {key: f"onboard on {becomes[key]}" for key in was.keys() & becomes.keys()}
    for plan in (before.plan, after.plan):
        for owned in plan.peripherals.values() if plan else ():
            titles[owned.vendor, owned.product] = owned.title

    def device(vendor: int, product: int) -> str:
        called = titles.get((vendor, product)) or (ids.name(vendor, product) if ids else "")
        number = f"{vendor:04x}:{product:04x}"
        return f"{number} ({called})" if called else number

    return Names(usb_class=class_name, device=device)


def _onboard(plan: Plan | None) -> dict[tuple[int, int], str]:
    """The model that each onboard device is of, by id."""
    models = plan.models.values() if plan else ()
    return {(one.vendor, one.product): model.name for model in models for one in model.onboard}
