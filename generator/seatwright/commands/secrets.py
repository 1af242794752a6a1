"""``seatwright secrets``: what a site needs and nobody may read, in vault files beside the site."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import click

from seatwright.commands.common import Refused, Status, log, site_argument, working
from seatwright.commands.planned import plan_site
from seatwright.findings.words import hint_for, shown
from seatwright.plan import Plan
from seatwright.secrets import FOLDER
from seatwright.secrets.state import NotYet, Wishes, make, takes_password
from seatwright.secrets.store import load, save
from seatwright.secrets.vault import Vault, VaultError
from seatwright.site.read import site_file

STEPS = ("rotate", "renew", "retire")


@click.command()
@site_argument
@click.option(
    "--vault-password-file",
    type=click.Path(path_type=Path),
    envvar="ANSIBLE_VAULT_PASSWORD_FILE",
    required=True,
    show_envvar=True,
    help="The vault's password: a file, or a program that prints it, as Ansible takes it.",
)
@click.option("--rotate", is_flag=True, help="Make a new authority, trusted beside the old one.")
@click.option("--renew", is_flag=True, help="Make every host's certificate anew, by the newest.")
@click.option("--retire", is_flag=True, help="Stop trusting the old authority.")
@click.option(
    "--password", "guests", multiple=True, metavar="GUEST", help="Make this password anew."
)
@click.option("--every-password", is_flag=True, help="Make all passwords anew.")
@click.option(
    "--valid-days", type=click.IntRange(1, 3650), help="All passwords end after so many days."
)
def command(
    site: Path,
    vault_password_file: Path,
    rotate: bool,
    renew: bool,
    retire: bool,
    guests: tuple[str, ...],
    every_password: bool,
    valid_days: int | None,
) -> int:
    """Make what SITE needs in secret and does not have: an authority, certificates, passwords.

    They are kept in vault files in secrets/ beside the site; give them to the playbooks with
    -i SITE/secrets/inventory. What is there stays; certificates are renewed 60 days before they
    end. A new authority takes three runs, each followed by clients.yml (and after --renew by
    guests.yml): --rotate, --renew, --retire. A running guest shows its old certificate until it was
    shut down and started: run clients.yml after --retire only when guests.yml names no such guest.
    """
    if sum((rotate, renew, retire)) > 1:
        raise click.UsageError(f"One step at a time: {', '.join(f'--{one}' for one in STEPS)}.")
    with working("Reading and planning …"):
        found = plan_site(site)
    if found.errors:
        raise Refused("The site has errors; nothing was made.", "seatwright check says which.")
    plan = found.planned.plan
    renewed = frozenset(plan.guests) if every_password else _guests(guests, plan)
    wishes = Wishes(rotate, renew, retire, renewed, valid_days)
    folder = site_file(site).parent / FOLDER
    try:
        said, written = _keep(folder, vault_password_file, plan, wishes)
    except (VaultError, NotYet) as error:
        raise Refused(error.message, error.hint) from error
    for line in said:
        click.echo(line)
    log(f"{folder}: {len(written)} files written." if written else "Nothing to change.")
    return Status.FINE


def _guests(names: tuple[str, ...], plan: Plan) -> frozenset[str]:
    for name in names:
        if name not in plan.guests:
            raise Refused(f"There is no guest {shown(name)}.", hint_for(name, plan.guests))
        host = plan.hosts[plan.guests[name].host]
        if not takes_password(host):
            hint = f"Its host {host.name} can do none: see can in the description."
            raise Refused(f"The guest {shown(name)} has no password.", hint)
    return frozenset(names)


def _keep(
    folder: Path, password_file: Path, plan: Plan, wishes: Wishes
) -> tuple[tuple[str, ...], list[str]]:
    """What was made and which files were written."""
    with working("Making secrets …"):
        vault = Vault(password_file)
        before = load(folder, vault)
        made = make(before, plan, wishes, datetime.now(UTC))
        return made.said, save(folder, before, made.secrets, plan, vault)
