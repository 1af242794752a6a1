"""First boot and enrolment without a machine: who a seat is, and whose key is taken."""

from __future__ import annotations

import json
import os
import pwd
import sys
import time
from datetime import UTC, datetime
from pathlib import Path
from types import ModuleType, SimpleNamespace

import pytest

from seatwright.image import enrol
from seatwright.image.enrol import HostKey, add_known_host, keep_token, proved, token_file
from seatwright.image.errors import ImageError
from seatwright.image.onseat import seat_identity
from seatwright.image.recipe import recipe
from seatwright.image.snapshot import Snapshot, held_against, read_snapshot

SEATS = [
    {"name": "rr-01", "serial": "FX-100", "mac": None},
    {"name": "rr-02", "serial": None, "mac": "52:54:00:00:00:02"},
    {"name": "rr-03", "serial": None, "mac": None},
]


@pytest.fixture
def board(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A board that says nothing; the program's files are below it."""
    for name, path in (("DONE", "done"), ("TOLD", "told"), ("CARD", "efi/seat.json")):
        monkeypatch.setattr(seat_identity, name, tmp_path / path)
    monkeypatch.setattr(seat_identity, "PROOF", tmp_path / "proof")
    monkeypatch.setattr(seat_identity, "board_serials", lambda: set())
    monkeypatch.setattr(seat_identity, "adapter_addresses", lambda: set())
    (tmp_path / "efi").mkdir()
    return tmp_path


def who(by_card: bool = True) -> str | None:
    """The seat that the program finds."""
    found = seat_identity.find_seat({"seats": SEATS}, by_card)
    return None if found is None else found["name"]


def test_a_board_is_known_by_serial_or_address_before_the_card(
    board: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert who() is None
    (board / "told").write_text("rr-02\n")
    assert who() == "rr-02"
    (board / "efi/seat.json").write_text('{"seat": "rr-03"}')
    assert who() == "rr-03"
    monkeypatch.setattr(seat_identity, "board_serials", lambda: {"FX-100"})
    assert who() == "rr-01"


def test_a_late_adapter_goes_before_the_card(board: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """It hangs on USB, and the card was made for another seat."""
    (board / "efi/seat.json").write_text('{"seat": "rr-03"}')
    monkeypatch.setattr(seat_identity, "look_for_card", lambda: None)
    monkeypatch.setattr(seat_identity, "identifiers", tuple)
    monkeypatch.setattr(seat_identity, "where_line", lambda: "")
    monkeypatch.setattr(seat_identity, "show", lambda lines: None)
    looks = iter([set(), set(), {"52:54:00:00:00:02"}])
    monkeypatch.setattr(seat_identity, "adapter_addresses", lambda: next(looks))
    assert seat_identity.wait_for_seat({"seats": SEATS})["name"] == "rr-02"
    monkeypatch.setattr(seat_identity, "adapter_addresses", lambda: set())
    monkeypatch.setattr(seat_identity, "ADAPTERS", 0.5)
    began = time.monotonic()
    assert seat_identity.wait_for_seat({"seats": SEATS})["name"] == "rr-03"
    assert time.monotonic() - began > 0.5
    monkeypatch.setattr(seat_identity, "ADAPTERS", 600.0)
    without = [{**row, "mac": None} for row in SEATS]
    assert seat_identity.wait_for_seat({"seats": without})["name"] == "rr-03", "none to await"
    (board / "told").write_text("rr-01\n")
    assert seat_identity.wait_for_seat({"seats": SEATS})["name"] == "rr-01", "a person said so"


@pytest.mark.parametrize("text", ["", "{", "[]", '{"seat": "rr-99"}', '{"seat": 3}', "\0\0"])
def test_a_damaged_card_file_says_nothing(board: Path, text: str) -> None:
    (board / "efi/seat.json").write_text(text)
    assert who() is None


def test_fillers_are_no_serial_numbers(tmp_path: Path) -> None:
    """Common practice of board makers, no source: fields left as they came."""
    place = tmp_path / "sys/class/dmi/id"
    place.mkdir(parents=True)
    for filler in ("To be filled", "0000000000", "None", "x"):
        (place / "board_serial").write_text(f"{filler}\n")
        (place / "product_serial").write_text("FX-100\n")
        found = seat_identity.board_serials(tmp_path)
        assert "FX-100" in found and "0000000000" not in found and "To be filled" not in found


def table(tmp_path: Path) -> dict[str, object]:
    """A table that writes below ``tmp_path``."""
    row = {
        "name": "rr-03",
        "serial": None,
        "mac": None,
        "directories": [{"path": f"{tmp_path}/etc", "mode": "0755"}],
        "links": [{"path": f"{tmp_path}/etc/off", "target": "/dev/null"}],
        "files": [
            {"path": f"{tmp_path}/etc/a", "mode": "0644", "sha256": "1"},
            {"path": f"{tmp_path}/etc/b", "mode": "0600", "sha256": "2"},
        ],
    }
    return {"seats": [row], "contents": {"1": "ü\n", "2": ""}}


@pytest.fixture
def no_programs(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing of this machine is changed."""
    monkeypatch.setattr(seat_identity.subprocess, "run", lambda *words, **options: _Done())
    real = seat_identity.write

    def write(path: Path, text: str, mode: int = 0o644) -> None:
        if path != Path("/etc/hostname"):
            real(path, text, mode)

    monkeypatch.setattr(seat_identity, "write", write)


class _Done:
    returncode = 1
    stdout = ""


def test_a_seat_is_taken_whole_and_again(board: Path, no_programs: None) -> None:
    told = table(board)
    for _ in range(2):
        seat_identity.take_seat(told, told["seats"][0])  # type: ignore[index]
    assert (board / "etc/a").read_text() == "ü\n"
    assert (board / "etc/b").stat().st_mode & 0o777 == 0o600
    assert (board / "etc/off").readlink() == Path("/dev/null")
    assert sorted(path.name for path in (board / "etc").iterdir()) == ["a", "b", "off"]


def test_the_program_needs_nothing_but_the_standard_library() -> None:
    imported = {name for name, one in vars(seat_identity).items() if isinstance(one, ModuleType)}
    assert imported <= set(sys.stdlib_module_names)


KEY = HostKey("ssh-ed25519", "AAAAC3NzaC1lZDI1NTE5AAAAIOMqqnkVzrm0SdG6UOoqKLsabgH5C9okWi0dh2l9GKJl")


def test_a_fingerprint_is_what_ssh_keygen_shows(tmp_path: Path) -> None:
    """Outside reference: ssh-keygen -l."""
    import subprocess

    public = tmp_path / "key.pub"
    public.write_text(f"{KEY.line}\n")
    said = subprocess.run(["ssh-keygen", "-lf", public], capture_output=True, text=True).stdout
    assert said.split()[1] == KEY.fingerprint


def test_only_the_card_with_the_token_proves_the_key() -> None:
    import hashlib
    import hmac

    proof = hmac.new(b"sesame", f"rr-01 {KEY.line}".encode(), hashlib.sha256).hexdigest()
    other = HostKey(KEY.kind, KEY.key[:-2] + "Jm")
    assert proved("rr-01", KEY, "sesame", f"{proof}\n")
    assert not proved("rr-01", KEY, "another", proof)
    assert not proved("rr-02", KEY, "sesame", proof)
    assert not proved("rr-01", other, "sesame", proof)
    assert not proved("rr-01", KEY, "sesame", "")


def test_a_replaced_board_replaces_the_old_key_and_no_other(tmp_path: Path) -> None:
    known = tmp_path / "known_hosts"
    other = HostKey("ssh-ed25519", "AAAA")
    add_known_host(known, ["rr-01", "192.0.2.1"], other)
    add_known_host(known, ["rr-10", "192.0.2.10"], other)
    add_known_host(known, ["rr-01", "192.0.2.1", "192.0.2.1"], KEY)
    assert known.read_text().splitlines() == [
        "rr-10,192.0.2.10 ssh-ed25519 AAAA",
        f"rr-01,192.0.2.1 {KEY.line}",
    ]


def test_a_snapshot_comes_back_as_it_was_written(tmp_path: Path) -> None:
    wanted = Snapshot(
        "bookworm-arm64", datetime(2026, 1, 2, 3, 4, 5, tzinfo=UTC), {"a2": "1:2~b+3"}
    )
    path = tmp_path / "list"
    path.write_text(wanted.text())
    assert read_snapshot(path, "bookworm-arm64") == wanted
    assert read_snapshot(tmp_path / "none", "bookworm-arm64") is None
    with pytest.raises(ImageError, match="not a list of the packages of trixie-arm64"):
        read_snapshot(path, "trixie-arm64")


def test_what_differs_from_the_list_is_named() -> None:
    recorded = Snapshot("x", datetime(2026, 1, 2, tzinfo=UTC), {"a": "1", "b": "1"})
    assert held_against({"a": "2", "c": "1"}, recorded) == [
        "a: 1 recorded, 2 there",
        "b: 1 recorded, not there",
        "c: not recorded, 1 there",
    ]
    assert json.loads("[]") == held_against({"a": "1", "b": "1"}, recorded)


def test_a_token_is_the_persons_with_sudo_too(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What sudo leaves in the environment: sudo(8), SUDO_UID."""
    monkeypatch.delenv("XDG_STATE_HOME", raising=False)
    monkeypatch.delenv("SUDO_UID", raising=False)
    monkeypatch.setenv("HOME", str(tmp_path))
    assert token_file("rr-01") == tmp_path / ".local/state/seatwright/tokens/rr-01"
    monkeypatch.setattr(os, "geteuid", lambda: 0)
    monkeypatch.setenv("SUDO_UID", str(pwd.getpwnam("nobody").pw_uid))
    home = Path(pwd.getpwnam("nobody").pw_dir)
    assert token_file("rr-01") == home / ".local/state/seatwright/tokens/rr-01"
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "elsewhere"))
    assert token_file("rr-01") == home / ".local/state/seatwright/tokens/rr-01"
    monkeypatch.delenv("XDG_STATE_HOME")
    monkeypatch.setenv("SUDO_UID", "none")
    keep_token("rr-01", "sesame")
    kept = token_file("rr-01")
    assert kept.read_text() == "sesame\n" and kept.stat().st_mode & 0o077 == 0


def test_all_of_the_way_to_a_token_is_the_persons(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Directories, too: else nothing of the person's could be put beside them."""
    person = SimpleNamespace(pw_dir=str(tmp_path), pw_uid=4711, pw_gid=4712)
    given: dict[str, tuple[int, ...]] = {}

    def chown(path: Path, *ids: int) -> None:
        given[str(path.relative_to(tmp_path))] = ids

    monkeypatch.setattr(enrol, "_person", lambda: person)
    monkeypatch.setattr(os, "chown", chown)
    (tmp_path / ".local").mkdir()
    keep_token("rr-01", "sesame")
    way = [".local/state", ".local/state/seatwright", ".local/state/seatwright/tokens"]
    assert given == dict.fromkeys([*way, f"{way[-1]}/rr-01"], (4711, 4712))


def test_a_token_in_the_usual_place_is_found_by_who_has_another(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As card puts it there through sudo, which does not say where the other is."""
    monkeypatch.delenv("SUDO_UID", raising=False)
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.delenv("XDG_STATE_HOME", raising=False)
    keep_token("rr-01", "sesame")
    usual = token_file("rr-01")
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "own"))
    assert token_file("rr-01") == usual
    assert token_file("rr-02") == tmp_path / "own/seatwright/tokens/rr-02"


def test_models_with_other_packages_have_lists_of_their_own() -> None:
    """Else the list that one of them records would not be the other's."""
    plain = recipe("bookworm", "amd64")
    assert plain.name == "bookworm-amd64" and all(one.is_file() for one in plain.files.values())
    assert recipe("bookworm", "amd64", further=("cage",)) == plain  # any seat has it
    read_only = recipe("bookworm", "amd64", read_only=True)
    assert read_only.name == "bookworm-amd64-read-only"
    assert all(file.is_file() for file in read_only.files.values())
    assert read_only.files.keys() > plain.files.keys()
    with_more = recipe("bookworm", "amd64", further=("fonts-noto", "strace"))
    assert with_more.name.startswith("bookworm-amd64-")
    assert with_more == recipe("bookworm", "amd64", further=("strace", "fonts-noto"))
    names = {plain.name, read_only.name, with_more.name}
    names |= {recipe("bookworm", "amd64", ("strace",)).name, recipe("bookworm", "arm64").name}
    assert len(names) == 5
    pulling = recipe("bookworm", "amd64", pulls=True)
    assert {"ansible-core", "git"} <= set(pulling.packages) and pulling.name == plain.name


def test_identifiers_are_as_large_as_the_screen_allows(monkeypatch: pytest.MonkeyPatch) -> None:
    """With a stand-in for figlet whose letters are as large as those of its fonts."""
    sizes = {"banner": (8, 7), "standard": (7, 6), "small": (5, 5), "mini": (4, 4)}

    class Drawn:
        def __init__(self, argv: list[str], input: str, **options: object) -> None:
            width, (across, down) = int(argv[2]), sizes[argv[4]]
            rows = [
                argv[4] + "#" * (across * len(line) - len(argv[4])) for line in input.splitlines()
            ]
            cut = [row[at : at + width] for row in rows for at in range(0, len(row), width)]
            self.stdout = "\n".join("\n".join([row] * down) for row in cut) + "\n"

    monkeypatch.setattr(seat_identity.subprocess, "run", Drawn)
    lines = "MAC 52:54:00:ab:cd:ef\nS/N FX100"
    for columns, rows, font in (
        (240, 67, "banner"),
        (128, 48, "banner"),  # in shorter lines
        (160, 30, "standard"),
        (128, 20, "small"),
    ):
        shown = seat_identity.large(lines, columns, rows)
        assert shown.startswith(font) and max(map(len, shown.splitlines())) <= columns
        assert len(shown.splitlines()) <= rows - 6
    assert seat_identity.large(lines, 60, 16).startswith("mini")
    assert seat_identity.large(lines[:21], 80, 25).startswith("standard")
