"""``seatwright book``: the site as one HTML file to read, print and try devices in."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import click

from seatwright.book.content import Content, Told
from seatwright.book.files import pictures
from seatwright.book.page import make_page
from seatwright.book.png import NoFont
from seatwright.book.serve import BookServer
from seatwright.commands.check import all_findings
from seatwright.commands.common import Refused, Status, log, say, site_argument
from seatwright.commands.planned import PlannedSite, plan_site
from seatwright.findings import Finding
from seatwright.findings.formats import Lines, summary
from seatwright.plan import Plan, source_path
from seatwright.policy.algebra.wording import Names
from seatwright.render.errors import RenderError
from seatwright.review.change import Review
from seatwright.review.compare import review
from seatwright.review.side import NoSide, ReadSide, read_side
from seatwright.site.read import site_file
from seatwright.usb.classes import class_name
from seatwright.whole import write_whole


@click.command()
@site_argument
@click.option(
    "--output",
    type=click.Path(path_type=Path, allow_dash=True),
    help="The file to write; <name of the site's folder>.html here where left out, - for stdout.",
)
@click.option(
    "--since",
    metavar="REVISION",
    help="Show what changed since a git revision (or a directory), as review says it.",
)
@click.option(
    "--pictures",
    "folder",
    type=click.Path(path_type=Path, file_okay=False),
    help="Write the pictures, too, as SVG and PNG files into this folder.",
)
@click.option("--serve", is_flag=True, help="Serve the book on this machine while you edit SITE.")
@click.option("--port", type=click.IntRange(0, 65535), default=0, help="Port for --serve.")
def command(
    site: Path, output: Path | None, since: str | None, folder: Path | None, serve: bool, port: int
) -> int:
    """Make the book of SITE: door sheets, models, rules, promises, findings, and a page to try
    devices in, all in one HTML file that needs no network.

    With --serve nothing is written; the open page follows the files, and shows what is wrong with
    them while they have errors.
    """
    if serve:
        return serve_book(site, since, port)
    found = plan_site(site)
    if found.errors:
        say(found.errors, found.sources)
        log("seatwright: a site with errors has no book; --serve shows them in a page.")
        return Status.FINDINGS
    content = with_review(content_of(found), since, site)
    page = make_page(content)
    if folder is not None:
        write_pictures(folder, found.planned.plan)
    if output == Path("-"):
        click.echo(page, nl=False)
    else:
        path = output or Path(f"{site_folder(site).name}.html")
        write_whole(path, page)
        log(f"{path}: {len(page) / 1e6:.1f} MB, {_findings_words(content)}.")
    return Status.FINE


def content_of(found: PlannedSite) -> Content:
    """What a book of the site says, but for what changed."""
    findings = all_findings(found)
    plan = found.planned.plan
    return Content(
        title=plan.site,
        plan=plan,
        findings=tuple(told(findings, found.sources)),
        promises=broken_promises(found, plan, findings),
    )


def told(findings: Sequence[Finding], sources: Lines) -> list[Told]:
    """Findings with the lines that they point at."""
    return [Told(one, sources.line(one.place.file, one.place.line)) for one in findings]


def broken_promises(
    found: PlannedSite, plan: Plan, findings: Sequence[Finding]
) -> dict[str, tuple[str, ...]]:
    """What is said of each promise, by its origin; a promise's findings stand at its place."""
    said: dict[object, list[str]] = {}
    for one in findings:
        said.setdefault(one.place, []).append(one.message)
    if not said:
        return {}
    places = {
        promise.origin: found.reading.places.find(source_path(promise.origin))
        for promise in plan.promises
    }
    return {origin: tuple(said[place]) for origin, place in places.items() if place in said}


def with_review(content: Content, since: str | None, site: Path) -> Content:
    """The content with what changed since a revision, where that was asked for."""
    if since is None or content.plan is None:
        return content
    try:
        return replace(content, review=review_since(since, site))
    except NoSide as error:
        raise Refused(error.message, error.hint) from error


def review_since(since: str, site: Path) -> Review:
    """The review from a revision to the files as they are."""
    folder = site_folder(site)
    before = read_side(since, folder.name, folder.parents[1])
    # As it was given and not resolved: places then look as in every other message.
    after = read_side(str(site_file(site).parent), folder.name, folder.parents[1])
    return review(before, after, folder.name, site_names((before, after)))


def site_names(sides: Sequence[ReadSide]) -> Names:
    """Devices called as the site calls them; a book is the same on every machine, so nobody
    else's names stand in it."""
    plans = [side.plan for side in sides if side.plan]
    titles = {
        (one.vendor, one.product): one.title or one.name
        for plan in plans
        for one in plan.peripherals.values()
    }

    def device(vendor: int, product: int) -> str:
        number = f"{vendor:04x}:{product:04x}"
        title = titles.get((vendor, product))
        return f"{number} ({title})" if title else number

    return Names(usb_class=class_name, device=device)


def site_folder(site: Path) -> Path:
    """The folder of the site's file."""
    return site_file(site).resolve().parent


def write_pictures(folder: Path, plan: Plan) -> None:
    """Every picture of the book as an SVG file and as a PNG file."""
    folder.mkdir(parents=True, exist_ok=True)
    count = 0
    try:
        for name, content in pictures(plan):
            write_whole(folder / name, content)
            count += 1
    except NoFont as error:
        raise Refused(
            f"{error} is missing: it is the font of the pictures.",
            "apt-get install fonts-dejavu-core",
            Status.MISSING,
        ) from None
    log(f"{folder}: {count} pictures.")


@dataclass(frozen=True, slots=True)
class Collected:
    """Findings of a site that cannot be planned."""

    findings: list[Told]

    def tell(self, findings: Sequence[Finding], sources: Lines) -> None:
        """Takes what a verb would say."""
        self.findings.extend(told(findings, sources))


def current_content(site: Path) -> Content:
    """The book of the site as its files are now; of a site with errors, only its findings."""
    wrong = Collected([])
    try:
        found = plan_site(site, wrong.tell)
    except click.exceptions.Exit:
        return Content(site_folder(site).name, None, tuple(wrong.findings))
    if found.errors:
        title = found.planned.plan.site
        return Content(title, None, tuple(told(found.findings, found.sources)))
    return content_of(found)


def serve_book(site: Path, since: str | None, port: int) -> int:
    """Serve until interrupted."""

    def make(version: str) -> bytes:
        content = replace(with_review(current_content(site), since, site), live=version)
        log(_findings_words(content))
        try:
            return make_page(content)
        except RenderError as error:
            log(f"seatwright: {error}")
            return make_page(Content(content.title, None, content.findings, live=version))

    if not site_folder(site).is_dir():
        raise Refused(f"There is no folder {site_folder(site)}.", "Name the folder of a site.")
    try:
        server = BookServer(site_folder(site), make, port)
    except OSError as error:
        raise Refused(
            f"Port {port} cannot be used: {error.strerror}.", "Leave --port out to take a free one."
        ) from error
    log(f"The book is at {server.address} (for this machine only). Control-C ends it.")
    try:
        server.run()
    except KeyboardInterrupt:
        log("")
    return Status.FINE


def _findings_words(content: Content) -> str:
    return summary([one.finding for one in content.findings])
