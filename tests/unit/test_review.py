"""What a change does: between directories, between revisions, as Markdown and as JSON."""

from __future__ import annotations

import json
import random
import shutil
import subprocess
from collections.abc import Mapping
from pathlib import Path

import jsonschema
import pytest

from render_sites import TINY, Done, make_repository, seatwright
from seatwright.commands import review as review_command
from seatwright.commands.main import main
from seatwright.plan import Plan
from seatwright.policy.algebra import Point, device_at
from seatwright.policy.proofs import said_of, spots_at
from seatwright.review.change import review_schema
from seatwright.review.moves import Mover
from seatwright.review.side import read_side
from seatwright.usb.ids import read_usb_ids

HALL = "    seats: [hall-1 to hall-3, {name: desk-1, policy: desk, address: 192.0.2.77, ports: 1}]"


def two(folder: Path, changes: Mapping[str, str], text: str = TINY) -> tuple[Path, Path]:
    """Two repositories: one with a description, one with pieces of it replaced.

    The new one has the old one's numbers and is not rendered: what it says need not be sound.
    """
    changed = text
    for before, after in changes.items():
        assert before in changed
        changed = changed.replace(before, after)
    old, new = folder / "old", folder / "new"
    before, after = make_repository(old, text), make_repository(new, changed)
    assert seatwright("render", before).returncode == 0
    shutil.copy(before.parent / "allocations.yml", after.parent)
    return old, new


def reviewed(folder: Path, changes: Mapping[str, str], *options: str) -> Done:
    old, new = two(folder, changes)
    return seatwright("review", old, new, "--site", "lock", *options)


def as_json(folder: Path, changes: Mapping[str, str]) -> dict:
    done = reviewed(folder, changes, "--json")
    document = json.loads(done.stdout)
    jsonschema.validate(document, review_schema(), jsonschema.Draft202012Validator)
    return document


def room(document: dict, name: str) -> dict:
    return next(one for one in document["rooms"] if one["name"] == name)


def moves(document: dict, name: str) -> set[tuple[str | None, str, str]]:
    return {
        (spot["socket"], move["was"], move["becomes"])
        for change in room(document, name)["changes"]
        for spot in change["spots"]
        for move in spot["moves"]
    }


def test_no_change_is_one_sentence(tmp_path: Path) -> None:
    done = reviewed(tmp_path, {})
    assert done.returncode == 0
    assert "Nothing changes for anybody." in done.stdout


def test_another_order_of_lines_is_no_change(tmp_path: Path) -> None:
    text = TINY.replace(
        "redirect: [mass-storage], offer", "redirect: [mass-storage, printer], offer"
    )
    old, new = two(tmp_path, {"[mass-storage, printer]": "[printer, mass-storage]"}, text)
    assert "Nothing changes for anybody." in seatwright("review", old, new, "--site", "lock").stdout


def test_an_order_of_lines_that_means_something_cannot_be_written(tmp_path: Path) -> None:
    """The description has none: the more specific line decides wherever it stands."""
    more = {"offer: [image]": "keep: [{id: '1209:0004', class: mass-storage}], offer: [image]"}
    assert moves(as_json(tmp_path, more), "hall") == {(None, "redirect", "keep")}


@pytest.mark.parametrize(
    ("change", "headline", "expected"),
    [
        (("offer: [image]", "offer: [image, printer]"), "more permissive", ("keep", "offer")),
        (("offer: [image]", "redirect2: []"), "less permissive", ("offer", "keep")),
        (
            ("redirect: [mass-storage], offer: [image]", "offer: [image, mass-storage]"),
            "less permissive",
            ("redirect", "offer"),
        ),
        (
            ("redirect: [mass-storage], offer: [image]", "redirect: [mass-storage, image]"),
            "more permissive",
            ("offer", "redirect"),
        ),
    ],
)
def test_each_step_has_its_headline(
    tmp_path: Path, change: tuple[str, str], headline: str, expected: tuple[str, str]
) -> None:
    before, after = change
    after = after.replace(", redirect2: []", "").replace("redirect2: []", "offer: []")
    document = as_json(tmp_path, {before: after})
    assert room(document, "hall")["headline"] == headline
    assert moves(document, "hall") == {(None, *expected)}
    assert room(document, "hall")["restarts"] == ["hall-1", "hall-2", "hall-3"]
    assert document["others"] == ["attic"]


def test_more_and_less_at_once_is_both(tmp_path: Path) -> None:
    document = as_json(tmp_path, {"redirect: [mass-storage], offer": "redirect: [printer], offer"})
    assert room(document, "hall")["headline"] == "both"
    assert moves(document, "hall") == {(None, "keep", "redirect"), (None, "redirect", "keep")}


def test_a_socket_is_named_where_only_it_changes(tmp_path: Path) -> None:
    changed = {
        "under the shelf: {redirect: [mass-storage]}": "under the shelf: {redirect: [audio]}"
    }
    document = as_json(tmp_path, changed)
    assert moves(document, "hall") == {
        ("under the shelf", "keep", "redirect"),
        ("under the shelf", "redirect", "keep"),
    }
    (change,) = room(document, "hall")["changes"]
    assert change["seats"] == ["desk-1"]


def test_both_places_are_named(tmp_path: Path) -> None:
    document = as_json(tmp_path, {"[mass-storage], offer": "[printer], offer"})
    causes = {(one["side"], one["text"]): one["place"] for one in room(document, "hall")["causes"]}
    assert causes.keys() == {
        ("old", "readers: redirect mass-storage"),
        ("new", "readers: redirect printer"),
    }
    line = 1 + TINY.splitlines().index("  readers: {redirect: [mass-storage], offer: [image]}")
    for (side, _), place in causes.items():
        assert place.endswith(f"{side}/inventories/lock/site.yml:{line}:24")


def test_a_site_device_is_called_by_its_name(tmp_path: Path) -> None:
    done = reviewed(tmp_path, {"redirect: [card-reader]": "offer: [card-reader]"})
    assert "of the site's own: card-reader" in done.stdout
    assert "1209:0003 (reader of cards)" in done.stdout


def test_an_onboard_device_that_is_described_no_more_is_not_called_one(tmp_path: Path) -> None:
    done = reviewed(tmp_path, {'id: "1209:0002"': 'id: "1209:0006"'})
    gained, lost = (
        next(line for line in done.stdout.splitlines() if f"devices of {one}" in line)
        for one in ("1209:0002", "1209:0006")
    )
    assert "1209:0002 (onboard on ridge before)" in gained
    assert "1209:0006 (onboard on ridge from now on)" in lost


def test_a_device_of_nobodys_is_called_as_usb_ids_does(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    names = tmp_path / "usb.ids"
    names.write_text("1209  Test Lab\n\t0010  Lantern\n", encoding="utf-8")
    monkeypatch.setattr(review_command, "system_ids", lambda: read_usb_ids(names))
    changed = {"offer: [image]": 'offer: [image, "1209:0010"]'}
    old, new = two(tmp_path, changed)
    assert main(["review", str(old), str(new), "--site", "lock"]) == 0
    assert "1209:0010 (Test Lab Lantern)" in capsys.readouterr().out


def test_a_seat_that_changes_its_policy_or_model_is_followed(tmp_path: Path) -> None:
    changed = {"{name: desk-1, policy: desk,": "{name: desk-1,"}
    document = as_json(tmp_path, changed)
    (change,) = room(document, "hall")["changes"]
    assert change["seats"] == ["desk-1"]
    assert {one["text"] for one in room(document, "hall")["causes"]} >= {
        "policy: desk",
        "policy: readers",
    }


def test_seats_that_come_and_go(tmp_path: Path) -> None:
    document = as_json(tmp_path, {"hall-1 to hall-3": "hall-2 to hall-4"})
    hall = room(document, "hall")
    assert (hall["added"], hall["removed"]) == (["hall-4"], ["hall-1"])
    assert {(one["what"], *one["guests"]) for one in document["guests"]} == {
        ("is new", "hall-4"),
        ("is no longer shown at any seat", "hall-1"),
    }
    assert hall["headline"] == "same"


def test_guests_say_what_needs_their_restart(tmp_path: Path) -> None:
    changed = {"    ports: 2\n": "    ports: 3\n", "offer: [image]": "offer: [image, printer]"}
    document = as_json(tmp_path, changed)
    what = {one["what"]: one for one in document["guests"]}
    assert what.keys() == {"redirection ports: 2 → 3", "its filter is more permissive"}
    assert all(one["restart"] for one in what.values())
    assert what["redirection ports: 2 → 3"]["guests"] == ["hall-1", "hall-2", "hall-3"]


def test_what_a_run_does_to_the_guests_of_a_host_is_said(tmp_path: Path) -> None:
    plain, now = "address: quay.example,", "address: quay.example, restart: if-idle,"
    document = as_json(tmp_path, {plain: now})
    (one,) = document["guests"]
    assert (one["what"], one["restart"]) == ("when a run restarts it: never → if-idle", False)
    assert one["guests"] == ["hall-1", "hall-2", "hall-3", "desk-1"]
    assert document["rooms"] == []
    other = reviewed(tmp_path / "kind", {plain: "address: quay.example, kind: systemd,"})
    assert "its host is of another kind: libvirt → systemd" in other.stdout
    assert "| room |" not in other.stdout


def test_the_run_that_carries_it_out_is_limited_to_who_is_concerned(tmp_path: Path) -> None:
    document = as_json(tmp_path, {"offer: [image]": "offer: [image, printer]"})
    guests, clients = document["run"]
    assert "playbooks/guests.yml -l quay --check" in guests
    assert "playbooks/clients.yml -l room_hall --check" in clients


@pytest.mark.parametrize(
    ("promise", "status"),
    [
        ("", 1),
        ("promises: [{room: hall, device: card-reader, redirect: true}]\n", 0),
        ("promises: [{seat: hall-1, device: card-reader, redirect: true}]\n", 1),
        ("promises: [{room: hall, device: card-reader, keep: true}]\n", 1),
    ],
)
def test_the_gate_stops_what_nobody_promised(tmp_path: Path, promise: str, status: int) -> None:
    changed = {
        "redirect: [mass-storage], offer": "redirect: [mass-storage, card-reader], offer",
        "rooms:\n": f"{promise}rooms:\n",
    }
    done = reviewed(tmp_path, changed, "--fail-on", "unpromised")
    assert done.returncode == status, done.stdout
    assert ("no promise says so" in done.stdout) == bool(status)


def test_a_promise_of_one_device_does_not_cover_its_whole_class(tmp_path: Path) -> None:
    changed = {
        "redirect: [mass-storage], offer": "redirect: [mass-storage, smart-card], offer",
        "rooms:\n": "promises: [{room: hall, device: card-reader, redirect: true}]\nrooms:\n",
    }
    assert reviewed(tmp_path, changed, "--fail-on", "unpromised").returncode == 1


@pytest.mark.parametrize(
    ("gate", "changed", "status"),
    [
        ("permissive", "offer: [image, printer]", 1),
        ("permissive", "offer: []", 0),
        ("change", "offer: []", 1),
        ("never", "offer: [image, printer]", 0),
    ],
)
def test_the_other_gates(tmp_path: Path, gate: str, changed: str, status: int) -> None:
    done = reviewed(tmp_path, {"offer: [image]": changed}, "--fail-on", gate)
    assert done.returncode == status


def test_rooms_with_the_same_change_are_said_once(tmp_path: Path) -> None:
    text = TINY.replace(
        "  attic: {policy: readers, model: ridge, host: quay}",
        "  attic: {policy: readers, model: ridge, host: quay, seats: [attic-1]}\n"
        "  loft: {policy: readers, model: ridge, host: quay, seats: [loft-1]}",
    )
    old, new = two(tmp_path, {"offer: [image]": "offer: [image, printer]"}, text)
    done = seatwright("review", old, new, "--site", "lock")
    assert "### hall, attic and loft" in done.stdout
    assert done.stdout.count("printer devices") == 1


def git(folder: Path, *words: str) -> str:
    identity = ["-c", "user.name=Lock House", "-c", "user.email=lock@house.example"]
    command = ["git", *identity, *words]
    return subprocess.run(
        command, cwd=folder, check=True, capture_output=True, text=True
    ).stdout.strip()


@pytest.fixture
def history(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A repository with two revisions, the current folder."""
    root = tmp_path / "repository"
    site = make_repository(root)
    monkeypatch.chdir(root)
    git(root, "init", "-q", "-b", "main")
    for text in (TINY, TINY.replace("offer: [image]", "offer: [image, printer]")):
        site.write_text(text, encoding="utf-8")
        assert seatwright("render", site).returncode == 0
        git(root, "add", "-A")
        git(root, "commit", "-q", "-m", "A step")
    return root


def test_two_revisions(history: Path) -> None:
    done = seatwright("review", "HEAD~1", "HEAD")
    assert done.returncode == 0, done.stderr
    assert "| hall | **more permissive** ⚠ not promised | 3 |" in done.stdout
    assert "(`HEAD:inventories/lock/site.yml:" in done.stdout


def test_a_revision_against_the_working_tree(history: Path) -> None:
    site = history / "inventories/lock/site.yml"
    site.write_text(TINY, encoding="utf-8")
    done = seatwright("review", "HEAD")
    assert "less permissive" in done.stdout
    assert git(history, "status", "--porcelain") == "M inventories/lock/site.yml"


def test_a_revision_that_does_not_parse_is_said_with_its_place(history: Path) -> None:
    site = history / "inventories/lock/site.yml"
    site.write_text(TINY.replace("policy: readers", "policy: raeders"), encoding="utf-8")
    git(history, "commit", "-q", "-a", "-m", "A slip")
    done = seatwright("review", "HEAD~1", "HEAD")
    assert done.returncode == 2
    assert "`HEAD` cannot be planned" in done.stdout
    assert "HEAD:inventories/lock/site.yml:" in done.stdout and "raeders" in done.stdout
    assert "`HEAD~1` is fine" in done.stdout


@pytest.mark.parametrize("asked", ["nosuch", "--help-me", "HEAD~99", "$(touch planted)", ""])
def test_what_is_no_revision_is_refused(history: Path, asked: str) -> None:
    done = seatwright("review", "--", asked, "HEAD")
    assert done.returncode == 2
    assert "neither a directory nor a revision" in done.stderr
    assert not (history / "planted").exists()


def test_a_machine_without_git_says_so(history: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", "")
    done = seatwright("review", "HEAD~1", "HEAD")
    assert done.returncode == 3
    assert "git is not installed" in done.stderr


def test_a_revision_without_the_site(history: Path) -> None:
    done = seatwright("review", "HEAD", "HEAD", "--site", "other")
    assert done.returncode == 2
    assert "inventories/other is not in the revision" in done.stderr


def test_hostile_titles_stay_text(tmp_path: Path) -> None:
    hostile = "'</script> | {{ 7*7 }} `x` <b> [a](b) $(id) %n 🗝'"
    text = TINY.replace("title: reader of cards", f"title: {hostile}")
    old, new = two(tmp_path, {"redirect: [card-reader]": "offer: [card-reader]"}, text)
    done = seatwright("review", old, new, "--site", "lock")
    assert "\\</script\\> \\| {{ 7\\*7 }} \\`x\\` \\<b\\> \\[a\\](b)" in done.stdout


CLASSES = ("audio", "printer", "image", "mass-storage", "everything", "smart-card")
OTHERS = ("card-reader", '"1209:*"', '"1209:0009"', '{id: "1209:0009", bcdDevice: "1.00"}')


def random_policy(pick: random.Random) -> str:
    """``readers`` with lines picked at random, each once."""
    lines: dict[str, list[str]] = {"redirect": [], "offer": [], "keep": []}
    for line in (*CLASSES, *OTHERS):
        verdict = pick.choice(("redirect", "offer", "keep", None))
        if verdict:
            lines[verdict].append(line)
    parts = ", ".join(f"{verdict}: [{', '.join(some)}]" for verdict, some in lines.items() if some)
    return f"  readers: {{{parts}}}"


def plan_of(folder: Path, name: str, policy: str) -> Plan:
    text = TINY.replace("  readers: {redirect: [mass-storage], offer: [image]}", policy)
    make_repository(folder / name, text)
    side = read_side(str(folder / name), "lock", folder)
    assert side.plan is not None, [one.message for one in side.errors]
    return side.plan


def test_every_region_is_shown_by_its_witness_and_nothing_moves_outside(tmp_path: Path) -> None:
    """The session's own decision, asked at each witness and at random devices, before and after."""
    pick = random.Random(20)
    for number in range(25):
        old, new = (
            plan_of(tmp_path, f"{number}-{side}", random_policy(pick)) for side in ("old", "new")
        )
        name = next(key for key, one in old.rules.items() if one.policy == "readers")
        lists = [spots_at(plan.rules[name], None)[0] for plan in (old, new)]
        moved = [
            move
            for spot in Mover(old, new).spots(name, name)
            if not spot.socket
            for move in spot.moves
        ]
        for move in moved:
            for point in (point for region in move.regions for point in region.witnesses()):
                said = [said_of(spot, device_at(point)).verdict for spot in lists]
                assert said == [move.was, move.becomes]
        for _ in range(200):
            point = Point(
                pick.choice((1, 6, 7, 8, 9, 11, 14, 255)),
                pick.choice((0x1209, 0x1234)),
                pick.choice((1, 2, 3, 9, 77)),
                pick.choice((0x0100, 0x0110)),
            )
            before, after = (said_of(spot, device_at(point)).verdict for spot in lists)
            found = {(m.was, m.becomes) for m in moved if any(point in r for r in m.regions)}
            assert found == (set() if before == after else {(before, after)})
