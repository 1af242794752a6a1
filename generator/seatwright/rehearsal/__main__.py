"""``python -m seatwright.rehearsal``: test hosts from a shell or a playbook."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TextIO

import click

from seatwright.rehearsal.base import NEWER, SEAT, STOCKED_SEAT, ensure
from seatwright.rehearsal.errors import RehearsalError
from seatwright.rehearsal.fleet import Fleet
from seatwright.rehearsal.newer import verify_udev_rules

RECIPES = {recipe.name: recipe for recipe in (SEAT, STOCKED_SEAT, NEWER)}


@click.group()
def main() -> None:
    """Real systemd hosts on this machine (needs root)."""


@main.command()
@click.argument("names", nargs=-1, type=click.Choice(sorted(RECIPES)))
def roots(names: tuple[str, ...]) -> None:
    """Make the Debian roots that the cache does not have yet; print where they are."""
    for name in names or sorted(RECIPES):
        click.echo(f"{name}: {ensure(RECIPES[name])[0]}")


@main.command()
@click.argument("state", type=click.Path(path_type=Path))
@click.argument("names", nargs=-1, required=True)
@click.option("--root", type=click.Choice(sorted(RECIPES)), default="seat", show_default=True)
@click.option("--owner", type=int, help="End the hosts when the process with this id ends.")
def start(state: Path, names: tuple[str, ...], root: str, owner: int | None) -> None:
    """Boot a host for each of NAMES; what reaches and ends them is kept in the directory STATE."""
    fleet = Fleet.start(names, ensure(RECIPES[root]), state=state, owner=owner)
    click.echo(f"Hosts are up: {', '.join(fleet.names)}.")
    click.echo(f"Reach one: ssh -F {fleet.ssh_config} {fleet.names[0]}")


@main.command()
@click.argument("state", type=click.Path(path_type=Path))
def stop(state: Path) -> None:
    """End the hosts that were started with STATE; fine when there are none."""
    Fleet(state.absolute(), ()).stop()


@main.command()
@click.argument("rules", type=click.File(), default="-")
def verify_udev(rules: TextIO) -> None:
    """Let the udev of a newer Debian judge a rules file, or standard input."""
    verdict = verify_udev_rules(rules.read())
    click.echo(verdict.said, nl=False)
    sys.exit(0 if verdict.accepted else 1)


def run() -> int:
    """The command, with its errors as sentences. Exit codes as those of seatwright."""
    try:
        main(standalone_mode=True)
    except RehearsalError as error:
        click.echo(f"{error}\n{error.hint}".rstrip(), err=True)
        return 3
    return 0


if __name__ == "__main__":
    sys.exit(run())
