"""The session's small parts: waits, idleness, journal lines, notification, published state."""

from __future__ import annotations

import ast
import json
import socket
from pathlib import Path

import pytest

from seatwright.client import messages
from seatwright.client.credentials import CredentialError, read_password
from seatwright.client.journal import REMEMBERED, Journal, encode
from seatwright.client.metrics import metrics
from seatwright.client.notify import notify, watchdog_seconds
from seatwright.client.publisher import Publisher
from seatwright.client.runfiles import begin_support, support_left
from seatwright.client.state import PublishedDevice, State, read_idle
from seatwright.client.timing import (
    HOPELESS_WAIT,
    JITTER,
    KNOCK_SECONDS,
    LONGEST_WAIT,
    BackOff,
    Use,
)

CLIENT = Path(messages.__file__).parent


def test_waits_grow_stay_below_five_seconds_and_begin_anew() -> None:
    back_off = BackOff(random=lambda: 0.5)
    assert [back_off.next() for _ in range(5)] == [0.5, 1.0, 2.0, 2.0, 2.0]
    back_off.reset()
    assert back_off.next() == 0.5
    assert LONGEST_WAIT * (1 + JITTER) + KNOCK_SECONDS <= 5


def test_waits_differ_between_seats() -> None:
    early, late = BackOff(random=lambda: 0.0), BackOff(random=lambda: 0.999)
    assert early.next() == pytest.approx(0.4)
    assert late.next() == pytest.approx(0.6, abs=0.001)
    assert BackOff(random=lambda: 0.5).next(hopeless=True) == HOPELESS_WAIT


def test_waits_never_overflow() -> None:
    back_off = BackOff(random=lambda: 0.5, failures=10**6)
    assert back_off.next() == LONGEST_WAIT


def test_a_seat_is_idle_when_nobody_types_and_no_device_is_used() -> None:
    use = Use.begin(100.0, idle_after=60)
    assert not use.idle(159.9)
    assert use.idle(160.0)
    use.typed(200.0)
    assert use.until_idle(210.0) == 50.0
    use.look(250.0, {"1": 500})  # a device came
    use.look(280.0, {"1": 900})  # the guest sends to it
    assert not use.idle(339.0)
    use.look(339.0, {"1": 900})
    assert use.idle(340.0)
    assert use.last_input == 200.0
    use.look(341.0, {})  # it went, which nobody uses
    assert use.idle(341.0)


def test_a_journal_line_in_the_native_protocol(tmp_path: Path) -> None:
    path = str(tmp_path / "journal")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as receiver:
        receiver.bind(path)
        journal = Journal(path)
        journal.note("no-port", "No place.", device="1209:0003")
        data = receiver.recv(65536)
    assert b"MESSAGE=No place.\n" in data
    assert b"SEATWRIGHT_EVENT=no-port\n" in data
    assert b"SEATWRIGHT_DEVICE=1209:0003\n" in data
    assert "no-port: No place. device=1209:0003" in journal.lines[0]


def test_a_line_end_in_a_name_cannot_begin_a_field() -> None:
    data = encode({"MESSAGE": "a\nPRIORITY=0"})
    assert data == b"MESSAGE\n" + (12).to_bytes(8, "little") + b"a\nPRIORITY=0\n"


def test_without_a_journal_lines_go_to_standard_error(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    journal = Journal(str(tmp_path / "none"))
    for number in range(REMEMBERED + 5):
        journal.note("event", f"line {number}")
    assert capsys.readouterr().err.splitlines()[0] == "event: line 0"
    assert len(journal.lines) == REMEMBERED


@pytest.mark.parametrize("abstract", [False, True])
def test_systemd_is_told(tmp_path: Path, abstract: bool) -> None:
    name = f"{tmp_path}/notify"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as receiver:
        receiver.bind("\0" + name if abstract else name)
        address = f"@{name}" if abstract else name
        assert notify("READY=1", "STATUS=up", environment={"NOTIFY_SOCKET": address})
        assert receiver.recv(100) == b"READY=1\nSTATUS=up"
    assert not notify("READY=1", environment={})


def test_the_watchdog_is_served_at_half_its_time() -> None:
    assert watchdog_seconds({"WATCHDOG_USEC": "30000000"}) == 15.0
    assert watchdog_seconds({"WATCHDOG_USEC": "soon"}) is None
    assert watchdog_seconds({}) is None


def test_the_state_is_written_when_it_changes_only(tmp_path: Path) -> None:
    path = tmp_path / "state.json"
    publisher = Publisher(tmp_path)
    state = State("shown", "rr-01", "rr-01", (PublishedDevice("1209:0003", "1-2", "Reader"),))
    publisher.publish(state)
    first = path.stat().st_ino
    publisher.publish(state)
    assert path.stat().st_ino == first
    value = json.loads(path.read_text())
    assert value["redirected"] == [{"id": "1209:0003", "name": "Reader", "port": "1-2"}]
    assert read_idle(path) is False
    publisher.publish(State("shown", "rr-01", "rr-01", idle=True))
    assert read_idle(path) is True
    assert {one.name for one in tmp_path.iterdir()} == {"state.json", "seatwright.prom"}


def test_the_metrics_say_what_the_state_says() -> None:
    """The form is OpenMetrics' text format, from memory."""
    reader = PublishedDevice("1209:0003", "1-2", "Reader")
    text = metrics(State("waiting", "rr-01", 'a"b', (reader,), last_error="host-away"))
    labels = 'seat="rr-01",guest="a\\"b"'
    lines = text.splitlines()
    assert f'seatwright_state{{{labels},state="waiting"}} 1' in lines
    assert f'seatwright_state{{{labels},state="shown"}} 0' in lines
    assert f"seatwright_redirected{{{labels}}} 1" in lines
    assert f"seatwright_waiting{{{labels}}} 0" in lines
    assert f'seatwright_error{{{labels},error="host-away"}} 1' in lines
    names = [line.split()[2] for line in lines if line.startswith("# TYPE")]
    assert len(names) == len(set(names)), "each metric is declared once"
    assert "seatwright_error{" not in metrics(State("shown", "rr-01", "rr-01"))


def test_support_mode_is_of_one_session_and_one_time(tmp_path: Path) -> None:
    begin_support(tmp_path, 15, now=1000.0)
    assert support_left(tmp_path, session_began=900.0, now=1000.0) == 900.0
    assert support_left(tmp_path, session_began=900.0, now=1899.0) == 1.0
    assert support_left(tmp_path, session_began=900.0, now=1900.0) == 0.0
    assert support_left(tmp_path, session_began=1001.0, now=1002.0) == 0.0  # a later session
    assert support_left(tmp_path, session_began=0.0, now=5.0) == 0.0  # a note from the future


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"from": 0, "until": "inf"}', '{"from": null}'])
def test_a_support_note_that_is_none_never_opens_anything_for_ever(
    tmp_path: Path, text: str
) -> None:
    (tmp_path / "support").write_text(text)
    assert support_left(tmp_path, session_began=0.0, now=100_000.0) == 0.0


def test_a_password_comes_from_a_credential(tmp_path: Path) -> None:
    (tmp_path / "guest-password").write_text("s3cret \n")
    (tmp_path / "odd").write_bytes(b"\xff")
    there = {"CREDENTIALS_DIRECTORY": str(tmp_path)}
    assert read_password("guest-password", there) == "s3cret "
    assert read_password(None, {}) is None
    for name, environment in (("none", there), ("odd", there), ("guest-password", {})):
        with pytest.raises(CredentialError) as caught:
            read_password(name, environment)
        assert "s3cret" not in str(caught.value)


def test_every_sentence_that_is_said_is_in_the_catalogue() -> None:
    """And each in it is said somewhere, so that nobody translates what nobody reads."""
    said: set[str] = set()
    for path in CLIENT.glob("*.py"):
        if path.name != "messages.py":
            said |= {
                node.value
                for node in ast.walk(ast.parse(path.read_text()))
                if isinstance(node, ast.Constant) and isinstance(node.value, str)
            }
    by_carries = {f"why-onboard-{carries}" for carries in ("network", "disk", "input")}
    assert set(messages.ENGLISH) - said - by_carries == set()
