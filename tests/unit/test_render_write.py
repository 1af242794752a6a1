"""All or nothing, whatever the disk does: swaps, journals, odd places, full and read-only disks."""

from __future__ import annotations

import errno
import json
import os
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from render_sites import GENERATOR, snapshot, times
from seatwright.render import swap as swapping
from seatwright.render import write as writing
from seatwright.render.difference import Output
from seatwright.render.errors import HandEdits, WriteError
from seatwright.render.swap import JOURNAL, sibling
from seatwright.render.tree import File, hand_edits, read_manifest, scan, with_manifest
from seatwright.render.write import compared, locked, recover, refuse_hand_edits, write

ROLES, SITE, BESIDE = "roles", "inventories/lock/rendered", "ansible.cfg"


def wanted(version: str, count: int = 3) -> Output:
    """Two directories and a file that all say ``version``."""
    files = {f"a/{number}.yml": File(f"{version}\n".encode()) for number in range(count)}
    files[f"only/{version}"] = File(b"#!/bin/sh\n", executable=True)
    beside = {BESIDE: File(f"# {version}\n".encode())}
    return Output({ROLES: with_manifest(files, ("r",), beside), SITE: with_manifest(files)}, beside)


def bring(root: Path, output: Output) -> None:
    with locked(root):
        recover(root)
        found = compared(root, output)
        refuse_hand_edits(found)
        write(root, output, found)


def versions(root: Path) -> dict[str, str]:
    """What each place says it is; everything in a directory has to say the same."""
    said = {}
    for place in (ROLES, SITE):
        words = {path.read_text().strip() for path in (root / place / "a").iterdir()}
        (only,) = (path.name for path in (root / place / "only").iterdir())
        assert words == {only}, f"{place} is neither old nor new"
        assert compared_with_manifest(root / place), f"{place} is not what its manifest says"
        said[place] = only
    said[BESIDE] = (root / BESIDE).read_text().strip("# \n")
    return said


def compared_with_manifest(directory: Path) -> bool:
    manifest = read_manifest(directory)
    return manifest is not None and not hand_edits(scan(directory), manifest, {})


def leftovers(root: Path) -> list[str]:
    return [path.name for path in root.rglob(".*")]


@pytest.fixture
def root(tmp_path: Path) -> Path:
    """A repository in the state ``old``."""
    (tmp_path / "inventories/lock").mkdir(parents=True)
    bring(tmp_path, wanted("old"))
    return tmp_path


def everywhere(version: str) -> dict[str, str]:
    return {ROLES: version, SITE: version, BESIDE: version}


def test_old_becomes_new(root: Path) -> None:
    bring(root, wanted("new"))
    assert versions(root) == everywhere("new")
    assert not leftovers(root)


def test_unchanged_is_untouched(root: Path) -> None:
    before = times(root)
    bring(root, wanted("old"))
    assert times(root) == before


def test_only_the_place_that_changes_is_replaced(root: Path) -> None:
    before = (root / ROLES).stat().st_ino
    output = wanted("old")
    bring(
        root, Output({**output.directories, SITE: wanted("new").directories[SITE]}, output.beside)
    )
    assert versions(root) == {ROLES: "old", SITE: "new", BESIDE: "old"}
    assert (root / ROLES).stat().st_ino == before


def test_modes_do_not_depend_on_the_umask(tmp_path: Path) -> None:
    (tmp_path / "inventories/lock").mkdir(parents=True)
    before = os.umask(0o077)
    try:
        bring(tmp_path, wanted("new"))
    finally:
        os.umask(before)
    assert {mode for _, mode in snapshot(tmp_path).values()} == {0o644, 0o755}
    assert (tmp_path / ROLES / "a").stat().st_mode & 0o777 == 0o755


def steps(monkeypatch: pytest.MonkeyPatch, stop: int) -> None:
    """Let every step that changes the disk count, and end the process's work at one of them."""
    count = 0

    def counted(name: str) -> None:
        original = getattr(swapping, name)

        def step(*words: object, **named: object) -> object:
            nonlocal count
            count += 1
            if count == stop:
                raise KeyboardInterrupt
            return original(*words, **named)

        monkeypatch.setattr(swapping, name, step)

    for name in ("exchange", "flush", "flush_directory", "drop_siblings", "_make_directory"):
        counted(name)


@pytest.mark.parametrize("stop", range(1, 25))
def test_an_interruption_at_any_step_is_healed(
    root: Path, monkeypatch: pytest.MonkeyPatch, stop: int
) -> None:
    with monkeypatch.context() as patch:
        steps(patch, stop)
        try:
            bring(root, wanted("new"))
        except KeyboardInterrupt:
            interrupted = True
        else:
            interrupted = False
    said = versions(root)  # each old or new
    begun = (root / JOURNAL).exists()
    assert begun or len(set(said.values())) == 1, "without a journal, nothing is half way"
    recover(root)
    assert versions(root) == everywhere("new" if begun or said[ROLES] == "new" else "old")
    bring(root, wanted("new"))
    assert versions(root) == everywhere("new")
    assert not leftovers(root)
    assert interrupted or stop > 15, "fewer steps than thought: count them again"


def test_two_renames_where_names_cannot_be_exchanged(
    root: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Some network file systems answer EINVAL to RENAME_EXCHANGE (renameat2(2))."""
    monkeypatch.setattr(swapping, "_RENAME_EXCHANGE", 1 << 20)
    bring(root, wanted("new"))
    assert versions(root) == everywhere("new")
    assert not leftovers(root)


@pytest.mark.parametrize("done", [1, 2])
def test_an_interruption_between_two_renames_is_healed(root: Path, done: int) -> None:
    new = wanted("new")
    for place, tree in new.directories.items():
        swapping.build(root / place, tree)
    swapping.write_file(sibling(root / BESIDE), new.beside[BESIDE])
    digests = {place: tree["manifest.json"].digest for place, tree in new.directories.items()}
    digests[BESIDE] = new.beside[BESIDE].digest
    swapping._write_journal(root, digests)
    (root / ROLES).rename(sibling(root / ROLES, "old"))
    if done == 2:
        sibling(root / ROLES).rename(root / ROLES)
    assert set(recover(root)) == {ROLES, SITE, BESIDE}
    assert versions(root) == everywhere("new")
    assert not leftovers(root)


def test_an_error_in_the_middle_of_the_swap_undoes_it(
    root: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    original = swapping.exchange
    broken = [SITE]

    def exchange(place: Path, staged: Path) -> None:
        if broken and str(place).endswith(broken[0]):
            broken.clear()
            raise OSError(errno.EBUSY, os.strerror(errno.EBUSY), str(place))
        original(place, staged)

    monkeypatch.setattr(swapping, "exchange", exchange)
    with pytest.raises(WriteError, match="busy") as caught:
        bring(root, wanted("new"))
    assert "mounted" in caught.value.hint
    assert versions(root) == everywhere("old")
    assert not leftovers(root)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "{",
        "[]",
        '{"format": 1, "places": ["roles"]}',
        '{"format": 1, "places": {"../../etc": "x"}}',
        '{"format": 1, "places": {"inventories/../x/rendered": "x"}}',
        '{"format": 1, "places": {"inventories/../rendered": "x"}}',
        '{"format": 1, "places": {"roles": 1}}',
    ],
)
def test_a_journal_from_elsewhere_is_refused(root: Path, text: str) -> None:
    """It lies in a checkout, so anybody could have put it there."""
    (root / JOURNAL).write_text(text)
    before = snapshot(root)
    with pytest.raises(WriteError) as caught:
        bring(root, wanted("new"))
    assert JOURNAL in caught.value.message and caught.value.hint
    assert snapshot(root) == before


def test_a_journal_whose_work_is_done_is_forgotten(root: Path) -> None:
    digest = (root / ROLES / "manifest.json").read_bytes()
    text = json.dumps({"format": 1, "places": {ROLES: File(digest).digest}})
    (root / JOURNAL).write_text(text)
    recover(root)
    assert versions(root) == everywhere("old")
    assert not leftovers(root)


def test_a_site_removed_since_the_interruption(root: Path) -> None:
    (root / JOURNAL).write_text(
        json.dumps({"format": 1, "places": {"inventories/x/rendered": "x"}})
    )
    recover(root)
    assert versions(root) == everywhere("old")
    assert not leftovers(root)


@pytest.mark.parametrize("place", [ROLES, SITE])
@pytest.mark.parametrize("kind", ["link", "dangling", "file", "socket"])
def test_what_is_no_directory_is_not_replaced(root: Path, place: str, kind: str) -> None:
    path, aside = root / place, root / "elsewhere"
    path.rename(aside)
    match kind:
        case "link":
            path.symlink_to(aside, target_is_directory=True)
        case "dangling":
            path.symlink_to(root / "nowhere")
        case "file":
            path.write_text("x")
        case "socket":
            os.mkfifo(path)
    before = snapshot(root)
    with pytest.raises(WriteError, match=r"symbolic link|not a directory") as caught:
        bring(root, wanted("new"))
    assert caught.value.hint
    assert snapshot(root) == before
    assert os.path.lexists(path)


def test_a_link_inside_is_a_hand_edit_and_never_followed(root: Path) -> None:
    outside = root / "outside"
    outside.write_text("precious")
    inside = root / ROLES / "a/0.yml"
    inside.unlink()
    inside.symlink_to(outside)
    with pytest.raises(HandEdits) as caught:
        bring(root, wanted("new"))
    assert caught.value.edits == (("changed", "roles/a/0.yml"),)
    write(root, wanted("new"), compared(root, wanted("new")))
    assert versions(root) == everywhere("new")
    assert outside.read_text() == "precious"


@pytest.mark.parametrize("kind", ["link", "fifo", "sparse"])
def test_whatever_somebody_put_there_is_reported(root: Path, kind: str) -> None:
    mine = root / ROLES / "mine"
    match kind:
        case "link":
            mine.symlink_to("/etc/hostname")
        case "fifo":
            os.mkfifo(mine)
        case "sparse":
            mine.touch()
            os.truncate(mine, 2**41)
    with pytest.raises(HandEdits) as caught:
        bring(root, wanted("new"))
    assert caught.value.edits == (("added", "roles/mine"),)
    assert os.path.lexists(mine)


def test_what_already_is_as_it_would_be_is_no_hand_edit(root: Path) -> None:
    """A merge may leave new files beside an old manifest."""
    (root / SITE / "a/0.yml").write_text("new\n")
    assert not compared(root, wanted("new")).edits
    bring(root, wanted("new"))
    assert versions(root) == everywhere("new")


def test_without_a_manifest_everything_is_somebodys(root: Path) -> None:
    (root / SITE / "manifest.json").write_text('{"format": 99}')
    edits = compared(root, wanted("new")).edits
    assert edits.added == (
        f"{SITE}/a/0.yml",
        f"{SITE}/a/1.yml",
        f"{SITE}/a/2.yml",
        f"{SITE}/only/old",
    )


@pytest.mark.parametrize(
    "text", ["", "[]", '{"format": 1}', '{"format": 1, "files": 3}', "[" * 9999]
)
def test_a_manifest_that_is_none(root: Path, text: str) -> None:
    (root / ROLES / "manifest.json").write_text(text)
    assert read_manifest(root / ROLES) is None


def test_the_manifest_has_hash_and_mode_of_each_file(root: Path) -> None:
    lines = (root / SITE / "manifest.json").read_text().splitlines()
    files = json.loads("\n".join(lines))["files"]
    for path, (content, mode) in snapshot(root / SITE).items():
        if path != "manifest.json":
            assert files.pop(path) == {"mode": f"{mode:04o}", "sha256": File(content).digest}
    assert not files
    assert list(files) == sorted(files)
    assert sum("sha256" in line for line in lines) == 4, "a line for each file"


def test_two_renders_wait_for_each_other(root: Path) -> None:
    order: list[str] = []

    def second() -> None:
        bring(root, wanted("second"))
        order.append("second")

    with locked(root):
        thread = threading.Thread(target=second)
        thread.start()
        time.sleep(0.3)
        order.append("first")
    thread.join()
    assert order == ["first", "second"]
    assert versions(root) == everywhere("second")


def test_waiting_has_an_end(root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(writing, "LOCK_PATIENCE", 0.2)
    with locked(root), pytest.raises(WriteError, match="nother render"):
        bring(root, wanted("new"))
    assert versions(root) == everywhere("old")


WRITE = f"""\
import sys
from pathlib import Path
sys.path[:0] = {[str(GENERATOR), str(Path(__file__).parent), str(Path(__file__).parents[1])]!r}
from test_render_write import bring, wanted, everywhere, versions, leftovers
from seatwright.render.errors import WriteError
"""


def in_namespace(script: str, tmp_path: Path) -> str:
    """Run shell as root in a mount namespace of its own; its output."""
    done = subprocess.run(
        ["unshare", "--mount", "--propagation", "private", "sh", "-euc", script],
        cwd=tmp_path,
        env={**os.environ, "PYTHON": sys.executable},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def python(tmp_path: Path, name: str, text: str) -> None:
    (tmp_path / name).write_text(WRITE + text)


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Path]:
    """A place for the scripts that tests run beside a disk of their own."""
    (tmp_path / "disk").mkdir()
    yield tmp_path


def test_a_full_disk_leaves_what_was_there(disk: Path) -> None:
    """First with no room at all, then with room that runs out at different files."""
    python(
        disk,
        "full.py",
        """
import os
root = Path("disk")
(root / "inventories/lock").mkdir(parents=True)
bring(root, wanted("old", 40))
failed = 0
for spare in range(0, 140, 7):
    filler = root / "filler"
    room = os.statvfs(root).f_bavail - spare
    filler.write_bytes(b"x" * (room * os.statvfs(root).f_frsize))
    try:
        bring(root, wanted("new", 40))
    except WriteError as error:
        failed += 1
        assert "No space left on device" in error.message, error.message
        assert "room" in error.hint
        assert versions(root) == everywhere("old"), spare
        assert not leftovers(root), leftovers(root)
    else:
        assert versions(root) == everywhere("new")
        filler.unlink()
        bring(root, wanted("old", 40))
        continue
    filler.unlink()
bring(root, wanted("new", 40))
assert versions(root) == everywhere("new")
print("failed", failed)
""",
    )
    said = in_namespace(
        'mount -t tmpfs -o size=2M,nr_inodes=2000 none disk; "$PYTHON" full.py', disk
    )
    assert 5 < int(said.split()[1]) < 20, "the disk was full in some runs and not in others"


def test_a_read_only_disk(disk: Path) -> None:
    python(
        disk,
        "readonly.py",
        """
root = Path("disk")
try:
    bring(root, wanted("new"))
except WriteError as error:
    print(error.message, "|", error.hint)
bring(root, wanted("old"))  # nothing to write, so nothing to complain about
assert versions(root) == everywhere("old")
""",
    )
    (disk / "disk/inventories/lock").mkdir(parents=True)
    bring(disk / "disk", wanted("old"))
    said = in_namespace(
        'mount --bind disk disk; mount -o remount,bind,ro disk; "$PYTHON" readonly.py', disk
    )
    assert "Read-only file system" in said and "mounted read-only" in said.partition("|")[2]


@pytest.mark.parametrize("how", ["-t tmpfs none", "--bind elsewhere"])
def test_a_mount_in_the_place_of_a_directory(disk: Path, how: str) -> None:
    """Another file system, and the same one once more (which only the kernel can tell)."""
    (disk / "disk/inventories/lock").mkdir(parents=True)
    bring(disk / "disk", wanted("old"))
    (disk / "elsewhere").mkdir()
    python(
        disk,
        "mounted.py",
        """
root = Path("disk")
try:
    bring(root, wanted("new"))
except WriteError as error:
    print(error.message, "|", error.hint)
""",
    )
    said = in_namespace(f'mount {how} disk/roles; "$PYTHON" mounted.py', disk)
    assert "mount" in said
    assert versions(disk / "disk") == everywhere("old")
    assert not leftovers(disk / "disk")


def test_inventories_on_another_disk(disk: Path) -> None:
    """Each place and its sibling are in one directory, so the places may be on different disks."""
    (disk / "disk/inventories").mkdir()
    python(
        disk,
        "apart.py",
        """
root = Path("disk")
(root / "inventories/lock").mkdir()
bring(root, wanted("old"))
bring(root, wanted("new"))
assert versions(root) == everywhere("new")
assert not leftovers(root)
""",
    )
    in_namespace('mount -t tmpfs none disk/inventories; "$PYTHON" apart.py', disk)
