"""A rehearsal: a room's seats as containers on this machine, made as their images are made.

What is run is what an operator is about to run: the rendered ``clients.yml`` in check mode, for
real, and again; then the seats are looked at, and taken back with ``remove.yml``.
"""

from __future__ import annotations

import json
import platform
import tempfile
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from pathlib import Path

from seatwright.ansible_runs import Outcome
from seatwright.image.base import base_place, ensure_base
from seatwright.image.errors import ImageError
from seatwright.image.layer import LayerSpec, ensure_layer
from seatwright.image.native import HOST_ARCH
from seatwright.image.onseat.files import PLACE, PROGRAM, UNITS
from seatwright.image.recipe import Recipe, recipe_of
from seatwright.image.snapshot import Snapshot, read_snapshot, snapshot_file
from seatwright.image.table import check_rendered, listing, make_table
from seatwright.plan import Plan, PlannedSeat
from seatwright.rehearsal.base import Layers
from seatwright.rehearsal.errors import RehearsalError, tail
from seatwright.rehearsal.fleet import Fleet
from seatwright.rehearsal.playbooks import HEADLESS, Rendered

KEEPER = "/usr/lib/seatwright/seat-keeper"
NAMED = 90.0
"""Seconds that seats are given to become who they are told, and to show it."""


@dataclass(frozen=True, slots=True)
class Step:
    """One step: what was done, what each seat said to it; ``wrong`` are those it went wrong at."""

    title: str
    seats: dict[str, str]
    wrong: tuple[str, ...] = ()
    said: str = ""


@dataclass(frozen=True, slots=True)
class Rehearsal:
    """What was rehearsed: ``stand_ins`` are models whose seats were not made as their images are:
    they have another processor than this machine, or begin with an image file of their own."""

    room: str
    seats: tuple[str, ...]
    stand_ins: tuple[str, ...]
    steps: list[Step] = field(default_factory=list)

    @property
    def went_well(self) -> bool:
        """Whether no step went wrong anywhere."""
        return not any(step.wrong for step in self.steps)


@dataclass(frozen=True, slots=True)
class Stage:
    """A rendered site, and where what is made for it is kept."""

    plan: Plan
    repository: Path
    site: Path
    cache: Path

    @property
    def rendered(self) -> Path:
        """The site's rendered directory."""
        return self.site / "rendered"


Say = Callable[[str], None]


def rehearse(stage: Stage, room: str, owner: int, say: Say) -> Rehearsal:
    """Rehearse a room. The seats end with the process ``owner``. Raises :class:`ImageError`."""
    seats = [seat for seat in stage.plan.seats.values() if seat.room == room]
    if not seats:
        raise ImageError(f"The room {room} has no seats.")
    check_rendered(stage.rendered, stage.plan)
    arch = HOST_ARCH[platform.machine()]
    models = {name: stage.plan.models[name] for name in sorted({seat.model for seat in seats})}
    others = [name for name, one in models.items() if one.arch != arch or one.image.file]
    found = Rehearsal(room, tuple(seat.name for seat in seats), tuple(others))
    try:
        with tempfile.TemporaryDirectory(prefix="seatwright-") as scratch:
            say("Making what the seats' images are made of.")
            layers: dict[str, Layers] = {}
            with listing(stage.repository, stage.rendered, seats, HEADLESS) as trees:
                for model in models:
                    alike = [seat for seat in seats if seat.model == model]
                    made = _layers(stage, alike, arch, trees, Path(scratch, model))
                    layers |= {seat.name: made for seat in alike}
            say(f"Starting {len(seats)} seats.")
            with Fleet.start(found.seats, layers, owner=owner) as fleet:
                for step in _steps(Rendered(fleet, stage.repository, stage.rendered), say):
                    found.steps.append(step)
    except RehearsalError as error:
        raise ImageError(str(error), error.hint, missing="needs root" in str(error)) from None
    return found


def _layers(
    stage: Stage, seats: list[PlannedSeat], arch: str, trees: Callable[[], Path], top: Path
) -> Layers:
    """The root of a model's seats: what their image has and, in the new directory ``top``, what
    only a container needs; ``trees`` are what :func:`listing` gives."""
    model = seats[0].model
    wanted = recipe_of(stage.plan, model, arch)
    base, snapshot = _base(stage, wanted)
    table = make_table(trees(), model, seats, base)
    spec = LayerSpec(
        base=base,
        repository=stage.repository,
        place=stage.rendered,
        seat=seats[0].name,
        access_key="",
        epoch=snapshot.epoch,
        boot_id="00000000-01",
        root_id="00000000-02",
        table=table.text,
        shared=table.shared,
        variables=HEADLESS,
    )
    layer = ensure_layer(spec, stage.cache)
    (top / PLACE).mkdir(parents=True)
    (top / PLACE / "table.json").write_text(table.text, encoding="utf-8")
    (top / "etc").mkdir(exist_ok=True)
    (top / "etc/fstab").write_text("# a container's file systems are mounted from outside\n")
    for unit in ("systemd-networkd.service", "systemd-networkd.socket", "seatwright-grow.service"):
        mask = top / UNITS / unit
        mask.parent.mkdir(parents=True, exist_ok=True)
        mask.symlink_to("/dev/null")
    return (top, layer, base)


def _base(stage: Stage, wanted: Recipe) -> tuple[Path, Snapshot]:
    """The base by the site's own list of packages; without one, by a list kept in the cache."""
    own = snapshot_file(stage.site, wanted.name)
    kept = stage.cache / "images/rehearsal" / f"{wanted.name}.packages"
    recorded = read_snapshot(own, wanted.name)
    if recorded is None and (found := read_snapshot(kept, wanted.name)):
        recorded = found if base_place(wanted, found, stage.cache).is_dir() else None
    base, snapshot = ensure_base(wanted, recorded, stage.cache)
    if recorded is None:
        kept.parent.mkdir(parents=True, exist_ok=True)
        kept.write_text(snapshot.text())
    return base, snapshot


def _steps(site: Rendered, say: Say) -> Iterable[Step]:
    """Every step in turn; after one that failed the rest would say nothing."""
    site.first_access().expect_success()
    for title, step in (
        ("First boot: each seat takes its name", _take_names),
        ("clients.yml in check mode", lambda one: _run(one, "clients", "--check")),
        ("clients.yml", lambda one: _run(one, "clients")),
        ("clients.yml again: nothing may change", _again),
        ("Looking at the seats", _look),
        ("remove.yml", lambda one: _run(one, "remove")),
        ("remove.yml again: nothing may be left", _remove_again),
    ):
        say(f"{title}.")
        done = step(site)
        yield Step(title, done.seats, done.wrong, done.said)
        if done.wrong:
            return


def _take_names(site: Rendered) -> Step:
    """Tell every seat which it is, and wait until its first boot is over and its session up."""
    fleet = site.fleet
    for name in fleet.names:
        fleet.run(name, f"/{PROGRAM} tell {name}")
    unnamed = _wait(fleet, set(fleet.names), f"test -e {DONE}")
    down = _wait(fleet, set(fleet.names) - unnamed, "systemctl -q is-active seatwright-session")
    seats = {name: "named, session up" for name in fleet.names}
    seats |= {name: "named, session not up" for name in down}
    seats |= {name: "not named" for name in unnamed}
    return Step("", seats, tuple(sorted({*unnamed, *down})))


def _wait(fleet: Fleet, waiting: set[str], condition: str) -> set[str]:
    """Those for which a command does not succeed in time."""
    until = time.monotonic() + NAMED
    while waiting and time.monotonic() < until:
        waiting -= {name for name in waiting if fleet.run(name, condition).returncode == 0}
        time.sleep(0.2)
    return waiting


DONE = "/var/lib/seatwright-image/seat"


def _run(site: Rendered, playbook: str, *words: str) -> Step:
    """Run a playbook for every seat."""
    if playbook == "clients":
        return _outcome(site, site.clients(*words))
    return _outcome(site, site.playbook(playbook, *words))


def _outcome(site: Rendered, run: Outcome) -> Step:
    recap = run.recap
    seats = {
        name: f"{one.changed} changed" + (", failed" if one.failed or one.unreachable else "")
        for name, one in recap.items()
    }
    fine = {name for name, one in recap.items() if not (one.failed or one.unreachable)}
    wrong = [name for name in site.fleet.names if name not in fine]
    return Step("", seats, tuple(wrong), tail(run.text, 40) if wrong else "")


def _again(site: Rendered) -> Step:
    return _nothing_changed(_run(site, "clients"))


def _remove_again(site: Rendered) -> Step:
    return _nothing_changed(_run(site, "remove"))


def _nothing_changed(done: Step) -> Step:
    changed = [name for name, said in done.seats.items() if not said.startswith("0 ")]
    return Step("", done.seats, tuple(sorted({*done.wrong, *changed})), done.said)


def _look(site: Rendered) -> Step:
    """Whether each seat's session runs, with the files that are on its disk."""
    seats = {name: _state(site.fleet, name) for name in site.fleet.names}
    return Step("", seats, tuple(name for name, said in seats.items() if said != UP))


UP = "session up"


def _state(fleet: Fleet, name: str) -> str:
    done = fleet.run(name, f"{KEEPER} state --json")
    try:
        state = json.loads(done.stdout)
    except ValueError:
        return f"the keeper says nothing: {done.stderr.strip()}"
    if state["session"] != "active" or state["pending"]:
        return f"session {state['session']}{', with older files' if state['pending'] else ''}"
    for file in ("session", "rules"):
        checked = fleet.run(name, f"{KEEPER} check {file} /etc/seatwright/{file}.json")
        if checked.returncode != 0:
            return checked.stdout.strip()
    return UP
