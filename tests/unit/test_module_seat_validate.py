"""Files are shown to the programs that will read them before they go live.

Reference: systemd-analyze(1) of this machine's Debian, which is the seats' own.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from seat_modules import entry, put, run_ansible, seat_validate

VERIFY = ["systemd-analyze", "verify", "%s"]
UNITS = "/etc/systemd/system"


@pytest.fixture
def root(tmp_path: Path) -> Path:
    place = tmp_path / "seat"
    place.mkdir()
    return place


@pytest.fixture
def tool(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A validator of the test's own: refuses what has the word bad in it, and notes what it saw."""
    programs = tmp_path / "programs"
    programs.mkdir()
    path = programs / "judge"
    path.write_text(
        "#!/bin/sh\n"
        f'basename "$1" >> {tmp_path}/seen\n'
        'grep -q bad "$1" && { echo "$1: has a bad word: $(cat "$1")" >&2; exit 3; }\n'
        "exit 0\n"
    )
    path.chmod(0o755)
    monkeypatch.setattr(seat_validate, "SEARCH", f"{programs}:{seat_validate.SEARCH}")
    return path


def judged(path: str, content: str, **others: Any) -> dict[str, Any]:
    return entry(path, content, validate=["judge", "%s"], **others)


def unit(name: str, text: str) -> dict[str, Any]:
    return entry(f"{UNITS}/{name}", text, validate=VERIFY)


def test_a_copy_with_the_files_own_name_is_judged(root: Path, tool: Path, tmp_path: Path) -> None:
    put(root, [judged("/etc/sudoers.d/ops", "good\n")])
    assert (tmp_path / "seen").read_text() == "ops\n"


@pytest.mark.parametrize("check", [False, True])
def test_one_bad_file_keeps_all_of_them_out(root: Path, tool: Path, check: bool) -> None:
    with pytest.raises(seat_validate.Invalid) as invalid:
        put(root, [entry("/etc/a", "a\n"), judged("/etc/b", "bad\n")], check=check)
    assert str(invalid.value) == "/etc/b: /etc/b: has a bad word: bad"
    assert not (root / "etc").exists()


def test_what_does_not_change_is_not_judged_again(root: Path, tool: Path, tmp_path: Path) -> None:
    for _ in range(2):
        put(root, [judged("/etc/a", "good\n"), entry("/etc/b", "b\n")])
    put(root, [judged("/etc/a", "good\n"), entry("/etc/b", "c\n")])
    assert (tmp_path / "seen").read_text() == "a\n"


def test_a_secret_does_not_leak_through_its_judge(root: Path, tool: Path) -> None:
    with pytest.raises(seat_validate.Invalid) as invalid:
        put(root, [judged("/etc/password", "bad s3cret\n", mode="0600", sensitive=True)])
    assert "s3cret" not in str(invalid.value) and "/etc/password" in str(invalid.value)


def test_a_judge_the_seat_does_not_have_is_named(root: Path) -> None:
    files = [entry("/etc/a", "a\n", validate=["no-such-judge", "%s"])]
    result, _ = put(root, files)
    assert result["unvalidated"] == ["no-such-judge %s"] and (root / "etc/a").exists()


def test_an_older_udevadm_is_not_asked_for_what_it_cannot_do(
    root: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """``udevadm verify`` came with systemd 254; before, it is an unknown verb and exit status 1."""
    programs = tmp_path / "programs"
    programs.mkdir()
    rules = [entry("/etc/udev/rules.d/72-x.rules", "x\n", validate=["udevadm", "verify", "%s"])]
    for version, unvalidated in (("252", ["udevadm verify"]), ("254", [])):
        program = programs / "udevadm"
        program.write_text(
            f'#!/bin/sh\n[ "$1" = verify ] && exit {int(version == "252")}\necho {version}\n'
        )
        program.chmod(0o755)
        monkeypatch.setattr(seat_validate, "SEARCH", f"{programs}:/usr/bin:/bin")
        result, _ = put(root / version, rules) if (root / version).mkdir() is None else ({}, [])
        assert result["unvalidated"] == unvalidated


GOOD = [
    unit("seat-a.service", "[Unit]\nOnFailure=seat-b.service\n[Service]\nExecStart=/bin/true\n"),
    unit("seat-b.service", "[Service]\nType=oneshot\nExecStart=/bin/true\n"),
    unit("seat-b.timer", "[Timer]\nOnActiveSec=60\n"),
]


def test_units_that_name_each_other_are_judged_together(root: Path) -> None:
    result, _ = put(root, GOOD)
    assert result["unvalidated"] == [] and len(result["written"]) == 3


@pytest.mark.parametrize(
    ("name", "text", "words"),
    [
        ("seat-a.service", "[Service]\nExecStart=/bin/true\nRestrt=always\n", "Restrt"),
        (
            "seat-a.service",
            "[Service]\nExecStart=/bin/true\nTimeoutStopSec=soon\n",
            "seat-a.service:3: .*soon",
        ),
        ("seat-a.service", "[Service]\nExecStart=/bin/true\nUser=a b\n", "a b"),
        ("seat-a.service", "[Sarvice]\nExecStart=/bin/true\n", "Sarvice"),
        ("seat-b.timer", "[Timer]\nOnActiveSec=soon\n", "seat-b.timer:2: .*soon"),
    ],
)
def test_what_systemd_would_ignore_is_refused(root: Path, name: str, text: str, words: str) -> None:
    """systemd-analyze ends with 0 for most of these: what it says is what counts."""
    put(root, GOOD)
    files = [unit(name, text) if one["path"].endswith(name) else one for one in GOOD]
    with pytest.raises(seat_validate.Invalid, match=words) as invalid:
        put(root, files)
    assert "/tmp" not in str(invalid.value)


def test_a_drop_in_is_judged_through_the_unit_it_changes(root: Path) -> None:
    good = entry(f"{UNITS}/seat-a.service.d/more.conf", "[Service]\nNice=5\n", validate=VERIFY)
    put(root, [*GOOD, good])
    with pytest.raises(seat_validate.Invalid, match=r"more\.conf"):
        put(root, [*GOOD, {**good, "content": "[Service]\nNice=unfriendly\n"}])


def test_a_drop_in_of_a_unit_that_is_nowhere_is_left_to_the_seat(root: Path) -> None:
    path = f"{UNITS}/no-such.service.d/x.conf"
    done = put(root, [entry(path, "[Service]\nNice=5\n", validate=VERIFY)])[0]
    assert done["written"] == [path]


def test_a_missing_program_is_an_error_but_not_before_anything_is_installed(root: Path) -> None:
    files = [unit("seat-a.service", "[Service]\nExecStart=/usr/lib/seatwright/not-yet\n")]
    assert put(root, files, check=True)[0]["changed"]
    with pytest.raises(seat_validate.Invalid, match="not-yet"):
        put(root, files)


def test_through_ansible_a_bad_unit_fails_with_its_line(root: Path) -> None:
    files = [unit("seat-a.service", "[Service]\nExecStart=/bin/true\nRestrt=always\n")]
    result = run_ansible("seat_files", {"list": "demo", "root": str(root), "files": files})
    assert result["outcome"] == "FAILED"
    assert "seat-a.service:3: Unknown key name 'Restrt'" in result["msg"] or (
        "seat-a.service:3: Unknown key 'Restrt'" in result["msg"]
    )
    assert "nothing was changed" in result["msg"] and not (root / "etc").exists()
