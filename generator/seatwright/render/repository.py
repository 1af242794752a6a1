"""Where a site stands in its repository, and who else is in it."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

from seatwright.findings.words import shown
from seatwright.render.errors import RenderError
from seatwright.render.output import rendered_place
from seatwright.render.roles import HOST_ROLES
from seatwright.render.tree import read_manifest
from seatwright.site.read import read_site, site_file

FOLDER = "inventories"
NAME = re.compile(r"[A-Za-z0-9]([A-Za-z0-9._-]*[A-Za-z0-9])?")


@dataclass(frozen=True, slots=True)
class Repository:
    """``root`` holds ``roles/`` and ``inventories/<name>/site.yml``."""

    root: Path
    name: str

    @property
    def site(self) -> Path:
        """The site's own file."""
        return self.root / FOLDER / self.name / "site.yml"


def find_repository(path: Path) -> Repository:
    """The repository of the site at ``path`` (its file or its folder). Raises RenderError."""
    folder = site_file(path).absolute().parent.resolve()
    if folder.parent.name != FOLDER:
        raise RenderError(
            f"{path} is not in a folder {FOLDER}/<name>/, so there is no place to render to.",
            f"Move it to {FOLDER}/<name>/site.yml; roles/ is then rendered beside {FOLDER}/.",
        )
    if not NAME.fullmatch(folder.name):
        raise RenderError(
            f"The site's folder {shown(folder.name)} has a name that not every command can take.",
            "Use letters, digits, dots, hyphens and underscores.",
        )
    return Repository(folder.parent.parent, folder.name)


def other_host_kinds(repository: Repository) -> frozenset[str]:
    """The kinds of hosts of the repository's other sites.

    A site that cannot be read now counts as it was when it was rendered: its faults are no reason
    not to render this one.
    """
    sites = sorted((repository.root / FOLDER).glob("*/site.yml"))
    others = (site for site in sites if site != repository.site)
    return frozenset(kind for site in others for kind in _host_kinds(repository, site))


def _host_kinds(repository: Repository, site: Path) -> set[str]:
    described = read_site(site).site
    if described is not None:
        return {host.kind for host in described.hosts.values()}
    manifest = read_manifest(repository.root / rendered_place(site.parent.name))
    rendered = manifest.roles if manifest else ()
    return {kind for kind, role in HOST_ROLES.items() if role in rendered}
