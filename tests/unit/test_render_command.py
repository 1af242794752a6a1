"""``seatwright render``, as a person or a CI runs it."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from render_sites import TINY, make_repository, seatwright, snapshot, times


@pytest.fixture(scope="module")
def once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A repository that has been rendered; tests copy it."""
    root = tmp_path_factory.mktemp("once") / "repository"
    done = seatwright("render", make_repository(root))
    assert done.returncode == 0, done.stderr
    return root


@pytest.fixture
def root(once: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(once, tmp_path / "copy", copy_function=shutil.copy2))


def site(root: Path) -> Path:
    return root / "inventories/lock/site.yml"


def test_what_is_written(once: Path) -> None:
    files = snapshot(once)
    for path in (
        "ansible.cfg",
        "inventories/lock/allocations.yml",
        "inventories/lock/rendered/group_vars/all.yml",
        "inventories/lock/rendered/group_vars/cell_hall_ridge.yml",
        "inventories/lock/rendered/group_vars/cell_hall_ridge_desk.yml",
        "inventories/lock/rendered/group_vars/room_attic.yml",
        "inventories/lock/rendered/host_vars/quay.yml",
        "inventories/lock/rendered/hosts.yml",
        "inventories/lock/rendered/manifest.json",
        "inventories/lock/rendered/plan.json",
        "inventories/lock/rendered/playbooks/clients.yml",
        "inventories/lock/rendered/playbooks/first-access.yml",
        "inventories/lock/rendered/playbooks/guests.yml",
        "inventories/lock/rendered/schema/site.json",
        "inventories/lock/rendered/summary.md",
        "roles/guest_ports/meta/argument_specs.yml",
        "roles/manifest.json",
        "roles/seat_base/files/programs/seatwright/usb/filter.py",
        "roles/seat_session/README.md",
    ):
        assert path in files
    assert {mode for _, mode in files.values()} == {0o644, 0o755}
    assert not [path for path in files if path.endswith(".in")]


def test_an_unchanged_render_touches_nothing(root: Path) -> None:
    before = times(root)
    done = seatwright("render", site(root))
    assert (done.returncode, done.stdout) == (0, "")
    assert done.stderr == "Nothing to change.\n"
    assert times(root) == before


def test_check_says_what_differs_and_writes_nothing(root: Path) -> None:
    assert seatwright("render", "--check", site(root)).returncode == 0
    text = site(root).read_text().replace("title: The Hall", "title: The Long Hall")
    site(root).write_text(text.replace("attic:", "loft:"))
    before = times(root)
    done = seatwright("render", "--check", "--json", site(root))
    assert done.returncode == 1
    found = json.loads(done.stdout)
    below = "inventories/lock/rendered/"
    assert found["added"] == [f"{below}group_vars/room_loft.yml"]
    assert found["removed"] == [f"{below}group_vars/room_attic.yml"]
    assert f"{below}group_vars/room_hall.yml" in found["changed"]
    assert "removed inventories/lock/rendered/group_vars/room_attic.yml" in done.stderr
    assert times(root) == before


def test_differences_line_by_line(root: Path) -> None:
    text = site(root).read_text().replace("title: The Hall", "title: The \\U0001F9F9 Hall")
    site(root).write_text(text.replace("attic:", "loft:"))
    done = seatwright("render", "--check", "--diff", site(root))
    lines = done.stdout.splitlines()
    room = "inventories/lock/rendered/group_vars/room"
    assert f"--- a/{room}_hall.yml" in lines and f"+++ b/{room}_hall.yml" in lines
    assert '-seat_session_room_title: !unsafe "The Hall"' in lines
    assert lines.index("--- /dev/null") + 1 == lines.index(f"+++ b/{room}_loft.yml")
    assert lines.index(f"--- a/{room}_attic.yml") + 1 == lines.index("+++ /dev/null")
    assert seatwright("render", "--diff", "--json", site(root)).returncode == 2


def test_what_the_site_no_longer_wants_is_gone(root: Path) -> None:
    site(root).write_text(
        TINY.replace("  attic: {policy: readers, model: ridge, host: quay}\n", "")
    )
    assert seatwright("render", site(root)).returncode == 0
    assert not (root / "inventories/lock/rendered/group_vars/room_attic.yml").exists()


def test_hand_edits_are_reported_and_kept(root: Path) -> None:
    rendered = root / "inventories/lock/rendered"
    (rendered / "hosts.yml").write_text("# mine\n")
    (rendered / "group_vars/mine.yml").write_text("a: 1\n")
    (root / "roles/seat_base/README.md").unlink()
    site(root).write_text(TINY.replace("The Hall", "Hall"))
    before = snapshot(root)
    done = seatwright("render", site(root))
    assert done.returncode == 1
    assert done.stderr.splitlines()[:3] == [
        "added by hand: inventories/lock/rendered/group_vars/mine.yml",
        "changed by hand: inventories/lock/rendered/hosts.yml",
        "removed by hand: roles/seat_base/README.md",
    ]
    assert snapshot(root) == before
    assert seatwright("render", "--overwrite", site(root)).returncode == 0
    assert seatwright("render", "--check", site(root)).returncode == 0
    assert not (rendered / "group_vars/mine.yml").exists()


def test_a_bit_that_git_keeps_counts_and_others_do_not(root: Path) -> None:
    (root / "roles/seat_base/README.md").chmod(0o664)  # a checkout under umask 002
    assert seatwright("render", "--check", site(root)).returncode == 0
    (root / "roles/seat_base/README.md").chmod(0o755)
    assert "changed by hand" in seatwright("render", site(root)).stderr


def test_what_python_leaves_behind_is_no_hand_edit(root: Path) -> None:
    cache = root / "roles/seat_base/library/__pycache__"
    cache.mkdir()
    (cache / "x.pyc").write_bytes(b"x")
    assert seatwright("render", site(root)).returncode == 0


def test_files_of_somebody_else_in_roles_are_not_swept_away(tmp_path: Path) -> None:
    root = tmp_path / "repository"
    path = make_repository(root)
    own = root / "roles/our_printers/tasks/main.yml"
    own.parent.mkdir(parents=True)
    own.write_text("[]\n")
    done = seatwright("render", path)
    assert done.returncode == 1
    assert "added by hand: roles/our_printers/tasks/main.yml" in done.stderr
    assert not (root / "inventories/lock/rendered").exists()
    assert own.exists()


def test_an_ansible_configuration_of_ones_own_is_left_alone(root: Path) -> None:
    mine = root / "ansible.cfg"
    mine.write_text("[defaults]\nforks = 3\n")
    done = seatwright("render", site(root))
    assert done.returncode == 0
    assert "ansible.cfg is not ours and was left as it is" in done.stderr
    assert mine.read_text() == "[defaults]\nforks = 3\n"
    mine.unlink()
    assert seatwright("render", site(root)).returncode == 0
    assert "roles_path = roles" in mine.read_text()


def test_errors_in_the_site_forbid_to_render_it(root: Path) -> None:
    before = snapshot(root)
    site(root).write_text(TINY.replace("policy: readers, model", "policy: raeders, model"))
    done = seatwright("render", site(root))
    assert done.returncode == 2
    assert 'There is no policy "raeders"' in done.stdout and "Did you mean" in done.stdout
    site(root).write_text(TINY)
    assert snapshot(root) == before


def test_a_site_outside_of_a_repository_has_no_place(tmp_path: Path) -> None:
    path = tmp_path / "site.yml"
    path.write_text(TINY)
    done = seatwright("render", path)
    assert done.returncode == 2
    assert "inventories/<name>/" in done.stderr
    assert list(tmp_path.iterdir()) == [path]


def test_roles_serve_every_site_of_the_repository(root: Path) -> None:
    """A site without hosts beside one with: its render takes no role away from the other."""
    other = root / "inventories/empty/site.yml"
    other.parent.mkdir()
    other.write_text("seatwright: 1\nsite: Empty\n")
    assert seatwright("render", other).returncode == 0
    assert (root / "roles/guest_ports/tasks/main.yml").exists()
    site(root).write_text("seatwright: 1\nsite: [broken\n")
    assert seatwright("render", "--check", other).returncode == 0, "a broken one counts as rendered"
    shutil.rmtree(root / "inventories/lock")
    assert seatwright("render", other).returncode == 0
    assert not (root / "roles/guest_ports").exists()


def test_new_numbers_are_kept_and_said(root: Path) -> None:
    numbers = root / "inventories/lock/allocations.yml"
    before = numbers.read_text()
    site(root).write_text(TINY.replace("hall-3", "hall-4"))
    assert "would have new numbers" in seatwright("render", "--check", site(root)).stderr
    assert numbers.read_text() == before
    done = seatwright("render", site(root))
    assert "allocations.yml: has new numbers" in done.stderr
    assert set(before.splitlines()) < set(numbers.read_text().splitlines())
