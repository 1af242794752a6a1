"""``seatwright card``: an image onto a card."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from seatwright.commands.common import Refused, Status, log
from seatwright.commands.image import refusing
from seatwright.image.card import check_programs, check_seat, new_token, read_image, write_card
from seatwright.image.device import Target, look, may_write
from seatwright.image.enrol import keep_token


@click.command()
@click.argument("image", type=click.Path(path_type=Path))
@click.argument("device", type=click.Path(path_type=Path))
@click.option("--seat", required=True, metavar="NAME", help="The seat that the card is for.")
@click.option(
    "--signers",
    type=click.Path(path_type=Path, dir_okay=False, exists=True),
    help="Write only an image that one of these signed (a list as in ssh-keygen(1)).",
)
@click.option("--insist", metavar="NAME", help="The device's name: write it though it is no card.")
@click.option("--yes", is_flag=True, help="Do not ask.")
@click.option("--no-token", is_flag=True, help="Leave no one-time token for enrolment on the card.")
def command(
    image: Path,
    device: Path,
    seat: str,
    signers: Path | None,
    insist: str | None,
    yes: bool,
    no_token: bool,
) -> int:
    """Write IMAGE to DEVICE and read it back. EVERYTHING ON DEVICE IS LOST.

    Only the blocks that the image uses are written. A device that is mounted, or that this machine
    runs from, is refused always; one that is not removable, or larger than a card, until it is
    named with --insist.
    """
    with refusing(), Progress() as progress:
        check_programs()
        card = read_image(image, signers, progress)
        check_seat(card, seat)
        target = look(device)
        if device.samefile(image):
            raise Refused(f"{device} is the image itself.", "Name the device of a card.")
        may_write(target, card.blocks.size, insist)
        if not yes:
            ask(target)
        token = None if no_token else new_token()
        if token:
            keep_token(seat, token)
        write_card(card, target, seat, token, progress)
    log(f"{device} is the card of {seat}: written, read back, alike.")
    log(f"Next, once {seat} has started with it: seatwright enrol {seat} SITE")
    return Status.FINE


def ask(target: Target) -> None:
    """Let the person say by its name that a device may be erased."""
    log(f"Everything on {target.path} will be lost: {target.described}.")
    try:
        said = click.prompt(f"Type {target.name} to go on", default="", show_default=False)
    except click.Abort:
        log("")
        raise Refused("Nothing was written.", status=Status.INTERRUPTED) from None
    if said != target.name:
        raise Refused("Nothing was written.")


class Progress:
    """A line at a terminal that says how far it is; elsewhere nothing."""

    def __init__(self) -> None:
        self._shown = ("", -1)

    def __call__(self, what: str, done: int, of: int) -> None:
        """So many bytes of so many are done."""
        now = (what, done * 100 // max(of, 1))
        if now != self._shown and sys.stderr.isatty():
            click.echo(f"\r{what}: {now[1]:3} % of {of / 1e6:.0f} MB\033[K", err=True, nl=False)
        self._shown = now

    def __enter__(self) -> Progress:
        return self

    def __exit__(self, *error: object) -> None:
        if self._shown[0] and sys.stderr.isatty():
            click.echo(err=True)
