"""One side of a review: a git revision or a directory, read and planned."""

from __future__ import annotations

import subprocess
import tarfile
import tempfile
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path

from seatwright.findings import Finding, Place, Severity
from seatwright.findings.words import shown
from seatwright.plan import Plan, source_path
from seatwright.planning import make_plan
from seatwright.site.allocations import FILE_NAME, read_allocations
from seatwright.site.places import Places, Sources, placed
from seatwright.site.read import read_site, site_file

FOLDER = "inventories"


class NoSide(Exception):
    """What was asked for is neither a revision nor a directory with the site in it.

    With ``missing`` it may be one, but this machine cannot tell.
    """

    def __init__(self, message: str, hint: str, *, missing: bool = False) -> None:
        super().__init__(message)
        self.message, self.hint, self.missing = message, hint, missing


@dataclass(frozen=True, slots=True)
class ReadSide:
    """A side as it was read.

    ``plan`` is None where its site cannot be planned; ``errors`` then say why.  ``commit`` is set
    for revisions.  ``base`` is what the files' names begin with here and nowhere else.
    """

    asked: str
    commit: str | None
    base: str
    plan: Plan | None
    errors: tuple[Finding, ...]
    places: Places
    sources: Sources

    def place_of(self, origin: str, *, key: bool = False) -> str:
        """Where a value of this side's description stands: ``main:inventories/…/site.yml:3:5``."""
        return self.shown(self.places.find(source_path(origin), key=key))

    def shown(self, place: Place) -> str:
        """A place with a name that a person can find the file by."""
        text = str(place)
        if self.commit is None or not text.startswith(self.base):
            return text
        return f"{self.asked}:{text.removeprefix(self.base)}"


def read_side(asked: str, site: str, repository: Path) -> ReadSide:
    """Read the side called ``asked``: a directory if there is one of that name, else a revision.

    ``site`` is the name of the folder below ``inventories/``; a directory may also be that folder
    itself.  Raises NoSide.
    """
    folder = Path(asked)
    if asked and folder.is_dir():
        return _of_folder(asked, folder, site)
    commit = _commit(asked, repository)
    with tempfile.TemporaryDirectory(prefix="seatwright-review-") as scratch:
        _unpack(commit, f"{FOLDER}/{site}", repository, Path(scratch))
        return _read(asked, commit, f"{scratch}/", Path(scratch, FOLDER, site))


def _of_folder(asked: str, folder: Path, site: str) -> ReadSide:
    for place in (folder, folder / FOLDER / site):
        if site_file(place).is_file():
            return _read(asked, None, "", place)
    raise NoSide(
        f"{asked} has no site.yml and no {FOLDER}/{site}/site.yml.",
        "Name a git revision, the root of a repository, or the folder of the site.",
    )


def _read(asked: str, commit: str | None, base: str, folder: Path) -> ReadSide:
    reading = read_site(folder)
    numbers = read_allocations(folder / FILE_NAME)
    sources = reading.sources.joined(numbers.sources)
    findings = [*reading.findings, *numbers.findings]
    plan = None
    if reading.site is not None and numbers.allocations is not None:
        planned = make_plan(reading.site, numbers.allocations)
        findings += [placed(problem, reading.places) for problem in planned.problems]
        plan = planned.plan
    errors = tuple(one for one in findings if one.severity is Severity.ERROR)
    return ReadSide(asked, commit, base, None if errors else plan, errors, reading.places, sources)


def _commit(asked: str, repository: Path) -> str:
    """The commit that a revision names."""
    words = ["rev-parse", "--verify", "--quiet", "--end-of-options", f"{asked}^{{commit}}"]
    done = _git(words, repository)
    if done.returncode != 0:
        raise NoSide(
            f"{shown(asked)} is neither a directory nor a revision of this repository.",
            "git log --oneline lists revisions; for a branch of somebody else's, fetch it first.",
        )
    return done.stdout.decode().strip()


def _unpack(commit: str, path: str, repository: Path, scratch: Path) -> None:
    """The files below ``path`` as they are in a commit."""
    done = _git(["archive", "--format=tar", commit, "--", path], repository)
    if done.returncode != 0:
        raise NoSide(
            f"{path} is not in the revision {commit[:12]}.",
            "The site may have had another name there: put that revision into a directory "
            "(git worktree add) and name the directory.",
        )
    with tarfile.open(fileobj=BytesIO(done.stdout)) as archive:
        archive.extractall(scratch, filter="data")


def _git(words: list[str], repository: Path) -> subprocess.CompletedProcess[bytes]:
    try:
        return subprocess.run(
            ["git", "-C", str(repository), *words], capture_output=True, check=False
        )
    except FileNotFoundError as error:
        hint = "Install git, or review two directories."
        raise NoSide("git is not installed.", hint, missing=True) from error
