"""The table of an image: what each seat of its model is told, and how a seat is recognised.

Ansible works out the files of every seat from the rendered site (``plugins/table.yml``), so the
table cannot say anything else than a run of ``clients.yml`` would.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import tempfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from seatwright.ansible_runs import extra, run_ansible
from seatwright.image.errors import ImageError
from seatwright.plan import Plan, PlannedSeat, to_json
from seatwright.rehearsal.errors import RehearsalError

PLUGINS = Path(__file__).parent / "plugins"
RECORDS = "var/lib/seatwright/files"
FORMAT = 1


@dataclass(frozen=True, slots=True)
class Table:
    """``text`` is what the image holds; ``shared`` is what all of its seats have alike."""

    text: str
    shared: str


def check_rendered(rendered: Path, plan: Plan) -> None:
    """Raise :class:`ImageError` where ``rendered`` is not what the plan is rendered to."""
    try:
        found = (rendered / "plan.json").read_bytes()
    except FileNotFoundError:
        found = b""
    if found != to_json(plan):
        raise ImageError(
            f"{rendered} is not what the site would be rendered to now.",
            "Run seatwright render first: what was rendered is what is run.",
        )


@contextmanager
def listing(
    repository: Path, place: Path, seats: Sequence[PlannedSeat], variables: Mapping[str, object]
) -> Iterator[Callable[[], Path]]:
    """Let Ansible write the files of every seat while something else is done.

    ``place`` is the rendered directory, ``variables`` those that the run into the image has
    besides. What is yielded waits for the end and gives the directory with a tree for each seat;
    it raises :class:`ImageError`.
    """
    names = [seat.name for seat in seats]
    with (
        tempfile.TemporaryDirectory(prefix="seatwright-") as scratch,
        ThreadPoolExecutor(1) as beside,
    ):
        written = beside.submit(_list_files, repository, place, names, Path(scratch), variables)

        def trees() -> Path:
            written.result()
            return Path(scratch)

        yield trees


def make_table(trees: Path, model: str, seats: Sequence[PlannedSeat], base: Path) -> Table:
    """The table of a model's seats from what was listed, for the root ``base``.

    Raises :class:`ImageError`.
    """
    contents: dict[str, str] = {}
    for seat in seats:
        for record in (trees / seat.name / RECORDS).glob("*.json"):
            _leave_out_directories(record, base)
    rows = [_row(seat, trees / seat.name, contents) for seat in seats]
    shared = {(trees / seat.name / "shared.json").read_text() for seat in seats}
    if len(shared) != 1:
        raise ImageError(
            f"The seats of {model} do not share the files of seat_base and seat_autostart.",
            "Variables of those roles that differ between the seats of one model need an image "
            "for each; set them for the whole model.",
        )
    document = {"format": FORMAT, "model": model, "seats": rows, "contents": contents}
    text = json.dumps(document, indent=1, sort_keys=True, ensure_ascii=False) + "\n"
    return Table(text, shared.pop())


def _list_files(
    repository: Path,
    place: Path,
    names: Sequence[str],
    trees: Path,
    variables: Mapping[str, object],
) -> None:
    """Let Ansible write the files of every seat below ``trees``."""
    given = {
        **variables,
        "seatwright_table_place": str(trees),
        "seatwright_table_utilities": str(repository.absolute() / "roles/seat_base/module_utils"),
        # No secret is in an image, so none is asked for here.
        "seat_session_password": "",
        "ansible_become": False,
    }
    run = run_ansible(
        "ansible-playbook",
        "-i",
        place / "hosts.yml",
        "--limit",
        ",".join(names),
        "--skip-tags",
        "never",
        PLUGINS / "table.yml",
        *extra(given),
        cwd=repository,
        env={
            "ANSIBLE_ACTION_PLUGINS": str(PLUGINS / "action"),
            "ANSIBLE_ROLES_PATH": str(repository.absolute() / "roles"),
            "ANSIBLE_FORKS": str(2 * (os.cpu_count() or 1)),
            "ANSIBLE_NOCOLOR": "true",
        },
    )
    try:
        run.expect_success()
    except RehearsalError as error:
        raise ImageError(f"The files of the seats cannot be worked out: {error}") from None


def _leave_out_directories(record: Path, base: Path) -> None:
    """Take out of a list's record the directories that are not made for it: ``base`` has them."""
    document = json.loads(record.read_text(encoding="utf-8"))
    made = document["directories"]
    document["directories"] = [one for one in made if not (base / one.lstrip("/")).is_dir()]
    record.write_text(json.dumps(document, indent=1) + "\n", encoding="utf-8")


def _row(seat: PlannedSeat, tree: Path, contents: dict[str, str]) -> dict[str, object]:
    """One seat: how it is recognised, and its files by what they hold."""
    files, links, directories = [], [], []
    for path in sorted(tree.rglob("*")):
        inside = f"/{path.relative_to(tree)}"
        mode = f"{path.lstat().st_mode & 0o7777:04o}"
        if path.is_symlink():
            links.append({"path": inside, "target": os.readlink(path)})
        elif path.is_dir():
            directories.append({"path": inside, "mode": mode})
        elif inside != "/shared.json":
            text = path.read_text(encoding="utf-8")
            digest = hashlib.sha256(text.encode()).hexdigest()
            contents[digest] = text
            files.append({"path": inside, "mode": mode, "sha256": digest})
    return {
        "name": seat.name,
        "serial": seat.serial,
        "mac": seat.mac,
        "files": files,
        "links": links,
        "directories": directories,
    }


def remove_listed(root: Path, table: Table) -> None:
    """Take out of a provisioned root what belongs to one seat: the image is every seat's."""
    document = json.loads(table.text)
    for row in document["seats"]:
        for entry in [*row["files"], *row["links"]]:
            (root / entry["path"].lstrip("/")).unlink(missing_ok=True)
    credentials = root / "etc/credstore"
    if credentials.is_dir():
        shutil.rmtree(credentials)
