"""The cache of images: what nobody has used for long goes, and nothing else."""

from __future__ import annotations

import fcntl
import os
from pathlib import Path

from seatwright.image.unused import KEPT, forget_unused
from seatwright.rehearsal.base import locked

NOW = 1_800_000_000.0


def kept(cache: Path, kind: str, name: str, age: float) -> Path:
    """Something in the cache that was last used ``age`` seconds ago."""
    place = cache / "images" / kind / name
    if kind == "filesystems":
        place.parent.mkdir(parents=True, exist_ok=True)
        place.write_text("ext4")
    else:
        (place / "usr").mkdir(parents=True)
    with locked(place.with_name(f".{name}.lock")):
        pass
    os.utime(place.with_name(f".{name}.lock"), (NOW - age, NOW - age))
    return place


def test_what_was_not_used_for_long_goes(tmp_path: Path) -> None:
    stays = [kept(tmp_path, "bases", "new", 0), kept(tmp_path, "layers", "used", KEPT - 1)]
    stays.append(kept(tmp_path, "filesystems", "used.ext4", 5))
    goes = [kept(tmp_path, kind, "old", KEPT + 1) for kind in ("bases", "layers")]
    goes.append(kept(tmp_path, "filesystems", "old.ext4", 2 * KEPT))
    assert forget_unused(tmp_path) == goes
    assert all(one.exists() for one in stays) and not any(one.exists() for one in goes)
    assert forget_unused(tmp_path) == []


def test_time_without_any_use_counts_for_nothing(tmp_path: Path) -> None:
    """A cache that was left alone for a year is as good as it was."""
    place = kept(tmp_path, "bases", "only", 6 * KEPT)
    assert forget_unused(tmp_path) == [] and place.exists()


def test_what_somebody_holds_and_what_lies_elsewhere_stay(tmp_path: Path) -> None:
    kept(tmp_path, "bases", "new", 0)
    held = kept(tmp_path, "layers", "held", KEPT + 1)
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    linked = kept(tmp_path, "bases", "linked", KEPT + 1)
    (linked / "usr").rmdir()
    linked.rmdir()
    linked.symlink_to(elsewhere)
    with held.with_name(".held.lock").open() as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        assert forget_unused(tmp_path) == [linked]
    assert held.exists() and elsewhere.exists() and not linked.is_symlink()


def test_what_a_killed_run_has_left_goes_whatever_its_age(tmp_path: Path) -> None:
    place = kept(tmp_path, "bases", "made", 0)
    left, being_made = (place.with_name(f".{name}.unfinished") for name in ("made", "other"))
    kept(tmp_path, "bases", "other", 0)
    for one in (left, being_made):
        (one / "usr").mkdir(parents=True)
    with being_made.with_suffix(".lock").open() as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        assert forget_unused(tmp_path) == [left]
    assert place.exists() and being_made.exists() and not left.exists()


def test_what_lies_beside_the_packages_for_a_day_is_a_killed_runs(tmp_path: Path) -> None:
    packages = tmp_path / "images/packages"
    kept, new, old = (packages / one for one in ("b-amd64", ".b-amd64-a1b2c3d4", ".b-amd64-old"))
    for one in (kept, new, old):
        one.mkdir(parents=True)
    for one in (kept, old):
        os.utime(one, (1.0, 1.0))
    assert forget_unused(tmp_path) == [old]
    assert kept.exists() and new.exists() and not old.exists()
