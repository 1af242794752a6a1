"""The module seat_files: what it writes, keeps, refuses and shows."""

from __future__ import annotations

import json
import os
import stat
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from seat_modules import MANIFEST, THREE, contents, entry, manifest, put, seat_entries, tree


@pytest.fixture
def root(tmp_path: Path) -> Path:
    place = tmp_path / "seat"
    place.mkdir()
    return place


def test_a_list_is_written_with_modes_and_links_and_only_once(root: Path) -> None:
    result, _ = put(root, THREE)
    assert result["changed"] and result["written"] == [one["path"] for one in THREE]
    found = tree(root)
    del found[MANIFEST]
    assert found == {
        "etc/one": ("0640", "1\n"),
        "usr/lib/two.py": ("0755", "print(2)\n"),
        "etc/systemd/system/x.target": ("link", "/dev/null"),
    }
    again, warnings = put(root, THREE)
    assert (again["changed"], again["written"], again["removed"], warnings) == (False, [], [], [])
    assert again["diff"] == []


def test_check_mode_on_a_fresh_seat_says_the_same_and_touches_nothing(root: Path) -> None:
    foreseen, _ = put(root, THREE, check=True)
    assert list(root.iterdir()) == []
    done, _ = put(root, THREE)
    assert foreseen == done


def test_the_manifest_is_what_the_keeper_reads(root: Path) -> None:
    """The keeper's own reader, and the digest it takes of the session's files."""
    from seatwright.client.manifest import digest, read_manifests, session_paths

    put(root, THREE, session=True)
    manifests = read_manifests(root / "var/lib/seatwright/files")
    assert [(one.name, one.session) for one in manifests] == [("demo", True)]
    assert session_paths(manifests) == tuple(sorted(one["path"] for one in THREE))
    before = digest(root, session_paths(manifests))
    put(root, [entry("/etc/one", "1!\n", mode="0640"), *THREE[1:]], session=True)
    assert digest(root, session_paths(manifests)) != before


def test_the_manifest_is_for_root_and_complete(root: Path) -> None:
    put(root, THREE)
    assert stat.S_IMODE((root / MANIFEST).stat().st_mode) == 0o600
    written = manifest(root)
    assert written["complete"] is True and written["list"] == "demo"
    assert written["directories"] == [
        "/etc",
        "/etc/systemd",
        "/etc/systemd/system",
        "/usr",
        "/usr/lib",
    ]


@pytest.mark.parametrize(
    ("change", "shown"),
    [
        ({"content": "1\n2\n"}, ("1\n", "1\n2\n")),
        ({"mode": "0600"}, ("0640\n", "0600\n")),
    ],
)
def test_one_difference_is_one_change(
    root: Path, change: dict[str, str], shown: tuple[str, str]
) -> None:
    put(root, THREE)
    result, _ = put(root, [{**THREE[0], **change}, *THREE[1:]])
    assert result["written"] == ["/etc/one"]
    (diff,) = result["diff"]
    assert diff["before"].endswith(shown[0]) and diff["after"].endswith(shown[1])
    assert "/etc/one" in diff["before_header"] and "/etc/one" in diff["after_header"]


def test_what_the_list_no_longer_has_is_removed_with_its_directories(root: Path) -> None:
    (root / "etc").mkdir()
    put(root, THREE)
    (root / "usr/lib/__pycache__").mkdir()
    result, _ = put(root, [THREE[0]])
    assert result["removed"] == ["/etc/systemd/system/x.target", "/usr/lib/two.py"]
    assert contents(root) == {"etc/one": "1\n"}
    assert not (root / "usr").exists() and not (root / "etc/systemd").exists()
    put(root, [])
    assert tree(root) == {} and (root / "etc").is_dir(), "a directory that was there before stays"


def test_an_unwanted_entry_counts_as_not_there(root: Path) -> None:
    put(root, THREE)
    put(root, [THREE[0], {**THREE[1], "wanted": False}, THREE[2]])
    assert "usr/lib/two.py" not in contents(root)


def test_a_path_that_moved_to_another_list_stays(root: Path) -> None:
    put(root, THREE, name="demo")
    put(root, [THREE[0]], name="other")
    result, _ = put(root, THREE[1:], name="demo")
    assert result["removed"] == [] and contents(root)["etc/one"] == "1\n"


def test_what_a_person_changed_is_set_aside_before_it_is_removed_or_replaced(root: Path) -> None:
    put(root, THREE)
    (root / "etc/one").write_text("mine\n")
    (root / "usr/lib/two.py").write_text("mine too\n")
    result, warnings = put(root, [entry("/etc/one", "new\n", mode="0640")])
    aside = "var/lib/seatwright/set-aside"
    assert contents(root) == {
        "etc/one": "new\n",
        f"{aside}/etc/one": "mine\n",
        f"{aside}/usr/lib/two.py": "mine too\n",
    }
    assert set(result["set_aside"]) == {"/etc/one", "/usr/lib/two.py"}
    assert all(path in "\n".join(warnings) for path in result["set_aside"])
    assert stat.S_IMODE((root / aside).stat().st_mode) == 0o700


def test_two_copies_of_one_path_are_both_kept_but_the_same_only_once(root: Path) -> None:
    put(root, THREE)
    for mine in ("a\n", "b\n", "b\n"):
        (root / "etc/one").write_text(mine)
        put(root, THREE)
    aside = root / "var/lib/seatwright/set-aside/etc"
    assert sorted(path.read_text() for path in aside.iterdir()) == ["a\n", "b\n"]


def test_going_back_to_what_we_had_ourselves_is_no_persons_change(root: Path) -> None:
    """The keeper restores former contents; nobody wrote those by hand."""
    put(root, THREE)
    put(root, [entry("/etc/one", "new\n", mode="0640"), *THREE[1:]])
    (root / "etc/one").write_text("1\n")
    result, warnings = put(root, [])
    assert result["set_aside"] == {} and warnings == [] and tree(root) == {}


def test_a_file_that_stood_there_before_us_is_set_aside(root: Path) -> None:
    (root / "etc").mkdir()
    (root / "etc/one").write_text("the distribution's\n")
    put(root, THREE)
    assert contents(root)["var/lib/seatwright/set-aside/etc/one"] == "the distribution's\n"


def test_a_file_that_stood_there_already_alike_is_taken_into_the_record(root: Path) -> None:
    (root / "etc").mkdir()
    (root / "etc/one").write_text("1\n")
    (root / "etc/one").chmod(0o640)
    result, _ = put(root, [THREE[0]])
    assert (result["changed"], result["written"]) == (True, [])
    assert put(root, [THREE[0]])[0]["changed"] is False


def test_a_link_that_a_person_turned_elsewhere_stays_theirs(root: Path) -> None:
    put(root, THREE)
    link = root / "etc/systemd/system/x.target"
    link.unlink()
    link.symlink_to("/elsewhere")
    put(root, [])
    assert os.readlink(link) == "/elsewhere"


def test_absent_removes_also_what_nobody_recorded(root: Path) -> None:
    (root / "etc").mkdir()
    (root / "etc/old.conf").write_text("old\n")
    result, _ = put(root, [entry("/etc/old.conf", state="absent")])
    assert result["removed"] == ["/etc/old.conf"]
    assert contents(root) == {"var/lib/seatwright/set-aside/etc/old.conf": "old\n"}
    assert put(root, [entry("/etc/old.conf", state="absent")])[0]["changed"] is False


def test_listed_directories_have_their_own_mode_and_go_when_empty(root: Path) -> None:
    listed = [entry("/etc/d", state="directory", mode="0750"), entry("/etc/d/f", "x\n")]
    put(root, listed)
    assert stat.S_IMODE((root / "etc/d").stat().st_mode) == 0o750
    (root / "etc/d").chmod(0o777)
    result, _ = put(root, listed)
    assert result["written"] == ["/etc/d"] and "0777" in result["diff"][0]["before"]
    (root / "etc/d/mine").write_text("x")
    put(root, [])
    assert sorted(os.listdir(root / "etc/d")) == ["mine"]


@pytest.mark.parametrize(
    ("files", "words"),
    [
        ([entry("etc/one", "x")], "not an absolute path"),
        ([entry("/etc/../one", "x")], "not an absolute path"),
        ([entry("//etc/one", "x")], "not an absolute path"),
        ([entry("/etc/one/", "x")], "not an absolute path"),
        ([entry("/", "x")], "not an absolute path"),
        ([entry("/etc/a\nb", "x")], "not an absolute path"),
        ([entry("/etc/one", "x"), entry("/etc/one", "y")], "twice"),
        ([entry("/etc/one", "x"), entry("/etc/one/two", "y")], "lies below"),
        ([entry("/etc/one")], "has no content"),
        ([entry("/etc/one", state="link")], "link to nowhere"),
        ([entry("/etc/one", "x", mode="644")], "octal"),
        ([entry("/etc/one", "x", mode="0888")], "octal"),
        ([entry("/etc/one", "x", validate=["true"])], "%s"),
        ([entry("/var/lib/seatwright/files/demo.json", "{}")], "recorded"),
    ],
)
def test_a_list_that_cannot_be_right_is_refused_before_anything_happens(
    root: Path, files: list[dict[str, Any]], words: str
) -> None:
    with pytest.raises(seat_entries.Refused, match=words):
        put(root, [entry("/etc/fine", "x"), *files])
    assert tree(root) == {}


def test_all_problems_of_a_list_are_named_at_once(root: Path) -> None:
    with pytest.raises(seat_entries.Refused) as refused:
        put(root, [entry("a", "x"), entry("/b"), entry("/c", state="link")])
    assert all(part in str(refused.value) for part in ("'a'", "'/b'", "'/c'"))


def test_links_on_the_way_are_followed_inside_the_root_only(root: Path, tmp_path: Path) -> None:
    outside = tmp_path / "outside"
    outside.mkdir()
    (root / "usr/lib").mkdir(parents=True)
    (root / "lib").symlink_to("usr/lib")
    (root / "out").symlink_to(outside)
    (root / "dangling").symlink_to("nowhere")
    (root / "file").write_text("x")
    put(root, [entry("/lib/inside", "x")])
    assert (root / "usr/lib/inside").read_text() == "x"
    for path, words in (("/out/f", "leads out"), ("/dangling/f", "nowhere"), ("/file/f", "no dir")):
        with pytest.raises(seat_entries.Refused, match=words):
            put(root, [entry(path, "x")])
    assert list(outside.iterdir()) == []


def test_a_link_in_a_files_place_is_replaced_and_its_target_left_alone(root: Path) -> None:
    (root / "etc").mkdir()
    (root / "target").write_text("precious")
    (root / "etc/one").symlink_to("../target")
    put(root, [THREE[0]])
    assert not (root / "etc/one").is_symlink() and (root / "target").read_text() == "precious"


@pytest.mark.parametrize("make", [Path.mkdir, os.mkfifo])
def test_what_is_no_file_is_not_replaced(root: Path, make: Callable[[Path], None]) -> None:
    (root / "etc").mkdir()
    make(root / "etc/one")
    with pytest.raises(seat_entries.Refused, match="remove it first"):
        put(root, THREE)
    assert not (root / "usr").exists()


def test_an_unknown_owner_is_refused_but_may_come_later_in_check_mode(root: Path) -> None:
    files = [THREE[0], {**THREE[1], "owner": "nobody-we-know"}]
    foreseen, _ = put(root, files, check=True)
    assert foreseen["changed"]
    with pytest.raises(seat_entries.Refused, match="make the user"):
        put(root, files)
    assert tree(root) == {}


def test_a_secret_is_written_but_never_shown(root: Path) -> None:
    secret = [entry("/etc/password", "s3cret!", mode="0600", sensitive=True)]
    first, _ = put(root, secret)
    second, _ = put(root, [{**secret[0], "content": "0ther?"}])
    assert (root / "etc/password").read_text() == "0ther?"
    said = json.dumps([first, second])
    assert "s3cret" not in said and "0ther" not in said and "not shown" in said


def test_a_secret_that_goes_is_not_shown(root: Path) -> None:
    """Also where nothing says any more that it was one: no vault is given, a guest goes."""
    secret = entry("/etc/password", "s3cret!", mode="0600", sensitive=True)
    by_hand = entry("/etc/key", "s3cret too", mode="0600")
    ways: list[list[dict[str, Any]]] = [[], [{**secret, "content": "", "wanted": False}]]
    ways += [[entry("/etc/password", state="absent")], [entry("/etc/password", "open\n")]]
    for files in ways:
        put(root, [secret, by_hand])
        for check in (True, False):
            said = json.dumps(put(root, files, check=check)[0])
            assert "/etc/password" in said and "/etc/key" in said
            assert "s3cret" not in said and "not shown" in said
    put(root, [secret])
    (root / "etc/password").chmod(0o644)
    assert "s3cret" not in json.dumps(put(root, [])[0]), "as the record has it"


def test_a_secret_that_others_may_read_is_refused(root: Path) -> None:
    with pytest.raises(seat_entries.Refused, match=r"/etc/password.* is sensitive"):
        put(root, [entry("/etc/password", "s3cret!", mode="0640", sensitive=True)])


def test_a_long_new_file_is_counted_not_shown(root: Path) -> None:
    program = "".join(f"line {n}\n" for n in range(431))
    result, _ = put(root, [entry("/usr/lib/program", program)])
    (diff,) = result["diff"]
    assert "431 lines" in diff["after"] and "line 7" not in diff["after"]


def test_a_small_change_in_a_long_file_is_shown_and_a_large_one_counted(root: Path) -> None:
    lines = [f"line {n}\n" for n in range(500)]
    put(root, [entry("/f", "".join(lines))])
    lines[250] = "changed\n"
    (small,) = put(root, [entry("/f", "".join(lines))])[0]["diff"]
    assert "changed\n" in small["after"] and "line 250" in small["before"]
    (large,) = put(root, [entry("/f", "".join(f"other {n}\n" for n in range(400)))])[0]["diff"]
    assert "500 go" in large["before"] and "400 are new" in large["after"]


def test_a_hash_does_for_what_is_compared_and_not_for_what_is_written(root: Path) -> None:
    with pytest.raises(seat_entries.Refused, match="no content"):
        put(root, hashed([entry("/etc/one", "1\n")]))
    assert contents(root) == {}


def hashed(files: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """The list as the control machine sends those of later tasks: hashes in place of contents."""
    entries = seat_entries.parse_entries(files)
    return [
        {**{key: value for key, value in one.items() if key != "content"}, "sha256": entry.sha256}
        for one, entry in zip(files, entries, strict=True)
    ]


def test_a_list_of_a_later_task_is_compared_ahead_but_never_written(root: Path) -> None:
    ours, theirs = (
        [entry("/etc/one", "1\n")],
        [entry("/etc/two", "2\n"), entry("/etc/three", "3\n")],
    )
    said = put(root, ours, ahead={"later": hashed(theirs)})[0]["alike"]
    assert said == {"later": False}
    assert not (root / "etc/two").exists()
    put(root, theirs, name="later")
    assert put(root, ours, ahead={"later": hashed(theirs)})[0]["alike"]["later"]


@pytest.mark.parametrize(
    "spoil",
    [
        lambda root: (root / "etc/two").write_text("other\n"),
        lambda root: (root / "etc/two").chmod(0o600),
        lambda root: (root / "etc/two").unlink(),
        lambda root: (root / "var/lib/seatwright/files/later.json").unlink(),
        lambda root: (root / "var/lib/seatwright/files/later.json").write_text("{"),
    ],
)
def test_whatever_is_not_as_the_list_of_a_later_task_says_is_seen_ahead(
    root: Path, spoil: Callable[[Path], None]
) -> None:
    ours, theirs = [entry("/etc/one", "1\n")], [entry("/etc/two", "2\n")]
    put(root, ours)
    put(root, theirs, name="later")
    spoil(root)
    assert not put(root, ours, ahead={"later": hashed(theirs)})[0]["alike"]["later"]


def test_a_later_list_does_not_count_as_alike_where_something_is_done_before_it(root: Path) -> None:
    theirs = [entry("/etc/two", "2\n")]
    put(root, theirs, name="later")
    changed = put(root, [entry("/etc/one", "1\n")], ahead={"later": hashed(theirs)})[0]
    assert changed["alike"] == {"later": False}
    look = {"packages": ["not-a-package"], "stopped": [], "model": None}
    seen = put(root, [entry("/etc/one", "1\n")], look=look, ahead={"later": hashed(theirs)})[0]
    assert not seen["changed"] and not seen["alike"]["later"]


def test_a_later_list_of_which_nothing_is_known_ahead_is_not_left_out(root: Path) -> None:
    put(root, [entry("/etc/one", "1\n")])
    said = put(root, [entry("/etc/one", "1\n")], ahead={"later": []})[0]
    assert not said["changed"] and said["alike"] == {"later": False}


def test_what_is_wrong_with_a_later_list_is_left_for_its_own_task_to_say(root: Path) -> None:
    said = put(root, [], ahead={"later": [entry("relative", "x")]})[0]
    assert said["alike"] == {"later": False}
