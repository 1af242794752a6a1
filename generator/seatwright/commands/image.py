"""``seatwright image``: the image that a model's seats boot from."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import click

from seatwright.commands.common import Refused, Status, log, say, site_argument
from seatwright.commands.planned import PlannedSite, plan_site
from seatwright.findings.words import hint_for, shown
from seatwright.image.build import Order, build
from seatwright.image.compare import compare, inside
from seatwright.image.enrol import Way
from seatwright.image.errors import ImageError
from seatwright.rehearsal.base import cache_directory
from seatwright.render.errors import RenderError
from seatwright.render.repository import find_repository
from seatwright.site.read import site_file


@click.command()
@click.argument("model")
@site_argument
@click.option(
    "--output",
    type=click.Path(path_type=Path, file_okay=False),
    help="The directory for the image, which has nothing else in it; images/<model> here where "
    "left out.",
)
@click.option(
    "--access-key",
    type=click.Path(path_type=Path, dir_okay=False, exists=True),
    help="Public ssh key that is let in, as first-access.yml lets it in.",
)
@click.option(
    "--key",
    type=click.Path(path_type=Path, dir_okay=False, exists=True),
    help="Private ssh key to sign the manifest with.",
)
@click.option(
    "--compare",
    "seat",
    metavar="SEAT",
    help="Build nothing: say how the running SEAT differs from the image that is there.",
)
@click.option("--renew", is_flag=True, help="Take the newest packages and record their versions.")
def command(
    model: str,
    site: Path,
    output: Path | None,
    access_key: Path | None,
    key: Path | None,
    seat: str | None,
    renew: bool,
) -> int:
    """Make the image of MODEL, as SITE was rendered: one for all seats of the model.

    Needs root. Versions of packages are recorded in images/ beside the site at the first build
    (commit that) and kept to afterwards. Until the new image is whole the last one stays.
    """
    found = sound(site)
    if seat is not None:
        return compared(found, site, output or Path("images", model), seat)
    order = order_of(found, site, model, output or Path("images", model), access_key, key, renew)
    if access_key is None:
        log(NOBODY)
    with refusing():
        place = build(order, log)
    click.echo(place / f"{model}.img")
    log(f"Next, for each seat: seatwright card {place}/{model}.img DEVICE --seat SEAT")
    return Status.FINE


NOBODY = (
    "Without --access-key nobody is let in over ssh: the image's seats can be neither enrolled nor "
    "changed by a playbook."
)


def sound(site: Path) -> PlannedSite:
    """The plan of a site without errors; those there are have been said."""
    found = plan_site(site)
    if found.errors:
        say(found.errors, found.sources)
        log("seatwright: a site with errors has no image.")
        raise click.exceptions.Exit(Status.FINDINGS)
    return found


def compared(found: PlannedSite, site: Path, place: Path, seat: str) -> Status:
    """Say how a running seat differs from the image in ``place``."""
    plan = found.planned.plan
    if seat not in plan.seats:
        raise Refused(f"The site has no seat {shown(seat)}.", hint_for(seat, plan.seats))
    way = Way(plan.seats[seat].address, plan.settings.access_user)
    with refusing():
        differences = compare(inside(place, seat), way, site_file(site).parent / "known_hosts")
    for one in differences:
        click.echo(f"{one.kind} {one.name}: {one.image} in the image, {one.seat} at the seat")
    log(f"{seat}: {len(differences)} differences from its image.")
    return Status.FINDINGS if differences else Status.FINE


def order_of(
    found: PlannedSite,
    site: Path,
    model: str,
    target: Path,
    access_key: Path | None,
    key: Path | None,
    renew: bool,
) -> Order:
    """What is to be built."""
    plan = found.planned.plan
    if model not in plan.models:
        raise Refused(f"The site has no model {shown(model)}.", hint_for(model, plan.models))
    try:
        repository = find_repository(site)
    except RenderError as error:
        raise Refused(error.message, error.hint) from error
    return Order(
        plan=plan,
        model=model,
        repository=repository.root,
        site=repository.site.parent,
        target=target.absolute(),
        cache=cache_directory(),
        access_key=access_key.read_text() if access_key else "",
        signing_key=key,
        renew=renew,
    )


@contextmanager
def refusing() -> Iterator[None]:
    """What keeps an image from being made or written, as every verb says it."""
    try:
        yield
    except ImageError as error:
        status = Status.MISSING if error.missing else Status.UNUSABLE
        raise Refused(error.message, error.hint, status) from error
