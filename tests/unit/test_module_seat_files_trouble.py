"""The module seat_files in trouble: a full disk and a kill at every step, broken records."""

from __future__ import annotations

import errno
import os
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from seat_modules import (
    MANIFEST,
    THREE,
    contents,
    entry,
    manifest,
    put,
    seat_changes,
    seat_entries,
    seat_files,
    seat_write,
    tree,
)


@pytest.fixture
def root(tmp_path: Path) -> Path:
    place = tmp_path / "seat"
    place.mkdir()
    return place


OLD = [
    entry("/etc/one", "old 1\n", mode="0640"),
    entry("/etc/gone", "old gone\n"),
    entry("/usr/lib/two.py", "old 2\n", mode="0755"),
    entry("/etc/turned", state="link", target="/old"),
]
NEW = [
    entry("/etc/one", "new 1\n", mode="0600"),
    entry("/usr/lib/two.py", "new 2\n", mode="0755"),
    entry("/srv/added/three", "new 3\n"),
    entry("/etc/turned", state="link", target="/new"),
]
STEPS = ("replace", "unlink", "mkdir", "symlink", "chmod", "chown", "fchmod", "rmdir")


class Stop(BaseException):
    """Ends a run where it stands, like a kill: nothing that would tidy up is run."""


@pytest.fixture
def step(monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[[Callable[[int], None]], None]]:
    """Call a function before every step that changes the disk, with the step's number."""

    def watch(before: Callable[[int], None]) -> None:
        count = 0

        def watched(real: Callable[..., Any]) -> Callable[..., Any]:
            def call(*arguments: Any, **named: Any) -> Any:
                nonlocal count
                count += 1
                before(count)
                return real(*arguments, **named)

            return call

        for name in STEPS:
            monkeypatch.setattr(os, name, watched(getattr(os, name)))
        monkeypatch.setattr(seat_write, "syncfs", watched(seat_write.syncfs))

    yield watch
    monkeypatch.undo()


def each_file_is_old_or_new(root: Path) -> None:
    found = tree(root)
    states = {
        "etc/one": {("0640", "old 1\n"), ("0600", "new 1\n")},
        "etc/gone": {("0644", "old gone\n"), None},
        "usr/lib/two.py": {("0755", "old 2\n"), ("0755", "new 2\n")},
        "srv/added/three": {("0644", "new 3\n"), None},
        "etc/turned": {("link", "/old"), ("link", "/new")},
    }
    for path, allowed in states.items():
        assert found.get(path) in allowed, (path, found.get(path))


def the_new_list_and_nothing_else(root: Path) -> None:
    found = tree(root)
    assert manifest(root)["complete"] is True
    del found[MANIFEST]
    assert found == {
        "etc/one": ("0600", "new 1\n"),
        "usr/lib/two.py": ("0755", "new 2\n"),
        "srv/added/three": ("0644", "new 3\n"),
        "etc/turned": ("link", "/new"),
    }


def copied(root: Path, number: int) -> Path:
    place = root.with_name(f"seat-{number}")
    shutil.copytree(root, place, symlinks=True)
    return place


def fail_at(number: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Let the disk be full at the given one of a run's writes."""
    real, count = seat_write.stage, 0

    def full(*arguments: Any) -> None:
        nonlocal count
        count += 1
        if count == number:
            raise OSError(errno.ENOSPC, "No space left on device", arguments[0])
        real(*arguments)

    monkeypatch.setattr(seat_write, "stage", full)
    monkeypatch.setattr(seat_changes, "stage", full)


def test_a_full_disk_at_any_write_changes_no_file(
    root: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Five writes: the record of both lists, three files, the record of the new one."""
    put(root, OLD)
    before = contents(root)
    for number in range(1, 6):
        place = copied(root, number)
        fail_at(number, monkeypatch)
        with pytest.raises(OSError, match="No space left"):
            put(place, NEW)
        monkeypatch.undo()
        if number < 5:
            assert contents(place) == before and not (place / "srv").exists()
        put(place, NEW)
        the_new_list_and_nothing_else(place)
    fail_at(6, monkeypatch)
    put(root, NEW)


def test_a_kill_at_any_step_leaves_old_or_new_and_the_next_run_finishes(
    root: Path, step: Callable[[Callable[[int], None]], None]
) -> None:
    put(root, OLD)
    at = 0

    def stop(number: int) -> None:
        if number == at:
            os._exit(9)

    killed = 0
    for at in range(1, 200):
        place = copied(root, at)
        child = os.fork()
        if child == 0:
            step(stop)
            put(place, NEW)
            os._exit(0)
        _, status = os.waitpid(child, 0)
        each_file_is_old_or_new(place)
        put(place, NEW)
        the_new_list_and_nothing_else(place)
        assert put(place, NEW)[0]["changed"] is False
        shutil.rmtree(place)
        if os.waitstatus_to_exitcode(status) == 0:
            break
        killed += 1
    assert killed > 25, "every step was tried"


def test_a_run_that_died_leaves_nothing_that_a_shorter_list_forgets(
    root: Path, step: Callable[[Callable[[int], None]], None]
) -> None:
    """Files that only the dead run's list had are found in its unfinished record."""
    for at in range(1, 60):
        place = copied(root, at)
        child = os.fork()
        if child == 0:
            step(lambda number, at=at: os._exit(9) if number == at else None)  # type: ignore[misc]
            put(place, NEW)
            os._exit(0)
        os.waitpid(child, 0)
        put(place, [entry("/etc/only", "this\n")])
        assert contents(place) == {"etc/only": "this\n"}, at


def test_a_record_that_cannot_be_read_is_no_reason_to_stop(root: Path) -> None:
    put(root, THREE)
    (root / MANIFEST).write_text('{"format": 1, "list": "demo", "files": 3')
    result, warnings = put(root, THREE)
    assert result["changed"] and "cannot be used" in warnings[0]
    assert put(root, THREE) == ({**result, "changed": False, "written": []}, [])


@pytest.mark.parametrize(
    "text",
    ["[]", "{}", '{"format": 2}', '{"format": 1, "list": "demo", "session": true, "complete": true,'
     ' "files": [], "links": [{"path": "../x", "target": "y"}], "directories": []}'],
)  # fmt: skip
def test_a_record_with_a_hole_is_never_followed(root: Path, text: str) -> None:
    (root / MANIFEST).parent.mkdir(parents=True)
    (root / MANIFEST).write_text(text)
    _, warnings = put(root, THREE)
    assert len(warnings) == 1 and manifest(root)["complete"] is True


def test_the_second_of_two_runs_waits_and_then_says_why_it_stops(
    root: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(seat_files, "LOCK_SECONDS", 0.3)
    with (
        seat_files.lock(str(root), False),
        pytest.raises(seat_entries.Refused, match="another run"),
    ):
        put(root, THREE)
    put(root, THREE)
