"""The module seat_files as Ansible runs it: both of its halves, through ``ansible -m``."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Any

import pytest

from seat_modules import ROLES, entry, run_ansible


@pytest.fixture
def root(tmp_path: Path) -> Path:
    place = tmp_path / "seat"
    place.mkdir()
    return place


def run(root: Path, files: list[dict[str, Any]], *flags: str) -> dict[str, Any]:
    return run_ansible("seat_files", {"list": "demo", "root": str(root), "files": files}, *flags)


def test_check_write_and_again(root: Path) -> None:
    files = [
        entry("/etc/one", "1\n", mode="0640"),
        entry("/etc/systemd/system/x.target", state="link", target="/dev/null"),
    ]
    foreseen = run(root, files, "--check", "--diff")
    assert foreseen["outcome"] == "CHANGED" and list(root.iterdir()) == []
    for line in ("+++ after: /etc/one (new, ", "+1", "+link to /dev/null"):
        assert line in foreseen["said"]
    done = run(root, files)
    assert done["outcome"] == "CHANGED" and (root / "etc/one").read_text() == "1\n"
    again = run(root, files, "--diff")
    assert again["outcome"] == "SUCCESS" and "---" not in again["said"]


def test_a_file_of_the_role_is_found_and_written_as_it_is(root: Path) -> None:
    source = ROLES / "seat_autostart/files/seatwright-restart.timer"
    run(root, [entry("/etc/x.timer", src=str(source))])
    assert (root / "etc/x.timer").read_bytes() == source.read_bytes()


def test_a_secret_is_in_no_output_however_much_is_asked_for(root: Path) -> None:
    files = [entry("/etc/password", "s3cret-of-the-desk", mode="0600", sensitive=True)]
    result = run(root, files, "--diff", "-vvv")
    assert (root / "etc/password").read_text() == "s3cret-of-the-desk"
    assert "s3cret-of-the-desk" not in result["said"]


LOGGED = """
import syslog
syslog.syslog = lambda *words: print(*words, file=open({place!r}, "a"))
"""
"""Python runs a sitecustomize before anything else: what Ansible tells the system's log, kept."""


def test_the_log_of_the_machine_has_nothing_of_a_file(
    root: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    log = tmp_path / "log"
    (tmp_path / "sitecustomize.py").write_text(LOGGED.format(place=str(log)))
    monkeypatch.setenv("PYTHONPATH", str(tmp_path))
    files = [
        entry("/etc/password", "s3cret-of-the-desk", mode="0600", sensitive=True),
        entry("/etc/one", "a line for everybody\n"),
    ]
    result = run(root, files)
    assert result["written"] == ["/etc/password", "/etc/one"], "paths are no secret"
    told = log.read_text()
    assert "Invoked with" in told and "root=" in told
    assert "s3cret" not in told and "everybody" not in told


def test_a_file_that_is_held_is_not_taken_away(root: Path) -> None:
    """As by a run without the vault, which would lock the seat out: of this list or a later one."""
    secret = entry("/etc/password", "s3cret-of-the-desk", mode="0600", sensitive=True)
    held = {**secret, "content": "", "wanted": False, "held": "nobody gave it"}
    assert run(root, [held])["outcome"] == "SUCCESS", "there is nothing to hold"
    run(root, [secret])
    refused = run(root, [held, entry("/etc/one", "1\n")])
    assert refused["outcome"] == "FAILED" and "nobody gave it. Nothing was" in refused["msg"]
    later = {"list": "other", "root": str(root), "files": [entry("/etc/two", "2\n")]}
    refused = run_ansible("seat_files", {**later, "ahead": {"demo": [held]}}, "--check")
    assert refused["outcome"] == "FAILED" and "'/etc/password' is on this seat" in refused["msg"]
    assert not (root / "etc/one").exists() and (root / "etc/password").exists()
    assert run(root, [{**held, "held": ""}])["removed"] == ["/etc/password"]
    assert run(root, [])["outcome"] == "SUCCESS"


def test_of_a_list_compared_ahead_not_even_a_hash_is_shown(root: Path) -> None:
    content = "s3cret-of-the-desk"
    ahead = {"later": [entry("/etc/password", content, mode="0600", sensitive=True)]}
    arguments = {"list": "demo", "root": str(root), "files": [entry("/etc/one", "1\n")]}
    result = run_ansible("seat_files", {**arguments, "ahead": ahead}, "-vvv")
    assert result["alike"] == {"later": False}
    assert result["invocation"]["module_args"]["ahead"] == ["later"]
    assert hashlib.sha256(content.encode()).hexdigest() not in result["said"]


@pytest.mark.parametrize(
    ("files", "words"),
    [
        ([entry("etc/relative", "x")], "not an absolute path"),
        ([entry("/etc/one", "x", src="/etc/hostname")], "content or src"),
        ([entry("/etc/one", "x", mode=420)], "octal"),
        ([entry("/out/one", "x")], "leads out"),
    ],
)
def test_what_is_refused_is_said_and_nothing_is_written(
    root: Path, files: list[dict[str, Any]], words: str
) -> None:
    (root / "out").symlink_to(root.parent)
    result = run(root, files)
    assert result["outcome"] == "FAILED" and words in result["msg"]
    assert [path.name for path in root.iterdir() if path.name != "var"] == ["out"]
