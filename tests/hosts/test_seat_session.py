"""A seat's session on a real host: when it restarts, and what happens when it does not come up."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest
from seats import Seat, becomes, settings, with_fault

from seatwright.rehearsal.playbooks import Rendered

SESSION_PROGRAM = "seat_base/files/programs/seatwright/client/session.py"
TIMER = "seatwright-restart.timer"
NOW = ("-e", "seat_session_restart=now")


def faulty_copy(site: Rendered, work: Path) -> Rendered:
    """The same site, rendered with a session that cannot run."""
    shutil.copytree(site.repository / "roles", work / "roles")
    shutil.copy(site.repository / "ansible.cfg", work / "ansible.cfg")
    with_fault(work / "roles" / SESSION_PROGRAM)
    return replace(site, repository=work)


@pytest.mark.names("rr-01")
def test_a_session_that_does_not_come_up_gives_way_to_the_one_before(
    demo: Rendered, tmp_path: Path
) -> None:
    seat = Seat(demo.fleet, "rr-01")
    demo.clients(*NOW).expect_success()
    before = seat.state()
    faulty = faulty_copy(demo, tmp_path)

    run = faulty.clients(*NOW)
    assert run.code != 0
    assert "the seat went back to the files it had before" in run.text
    after = seat.state()
    assert after["session"] == "active"
    assert after["disk"] == after["started"] == before["disk"]
    assert "deliberate" not in seat.ask("cat /usr/lib/seatwright/seatwright/client/session.py")

    again = faulty.clients(*NOW)
    assert "did not come up before" in again.text, "the same files are not tried twice"
    assert seat.state()["session"] == "active"

    healed = demo.clients(*NOW).expect_success()
    assert seat.state()["disk"] == seat.state()["started"] == before["disk"]
    assert healed.recap["rr-01"].failed == 0
    assert demo.clients(*NOW).recap["rr-01"].changed == 0


@pytest.mark.names("rr-01")
def test_restart_never_if_idle_and_now(demo: Rendered) -> None:
    seat = Seat(demo.fleet, "rr-01")
    demo.playbook("clients", *settings(1)).expect_success()
    first = seat.session()
    assert seat.marker() == "1"

    run = demo.playbook("clients", *settings(2, seat_session_restart="never")).expect_success()
    assert "left as it is" in run.text
    assert (seat.session(), seat.state()["pending"]) == (first, True)

    run = demo.playbook("clients", *settings(2, seat_session_restart="if-idle")).expect_success()
    assert "restarts later" in run.text
    assert (seat.session(), seat.active(TIMER)) == (first, True)

    run = demo.playbook("clients", *settings(2, seat_session_restart="now")).expect_success()
    assert "Restarted the session" in run.text
    assert (seat.marker(), seat.active(TIMER)) == ("2", False)

    soon = {"seat_session_idle_after": 1}
    demo.playbook("clients", *settings(3, seat_session_restart="now", **soon)).expect_success()
    assert becomes(lambda: seat.state()["idle"] is True, within=30)
    idle = {**soon, "seat_session_restart": "if-idle"}
    run = demo.playbook("clients", *settings(4, **idle)).expect_success()
    assert "Restarted the session" in run.text
    assert seat.marker() == "4"


@pytest.mark.names("rr-01")
def test_a_run_killed_between_change_and_restart_is_healed_by_the_next(demo: Rendered) -> None:
    seat = Seat(demo.fleet, "rr-01")
    demo.playbook("clients", *settings(1)).expect_success()
    words = settings(2, seat_session_restart="now")

    kill_at(demo, "TASK [seat_session : Tell the session what to show]", words)
    assert seat.marker() == "1", "it was killed before the restart"
    assert "MARKER" in seat.ask("cat /etc/seatwright/session.env")
    assert seat.state()["pending"] is True

    demo.playbook("clients", *words).expect_success()
    assert seat.marker() == "2"
    assert seat.state()["pending"] is False


def kill_at(site: Rendered, line: str, words: list[str]) -> None:
    """Start a run of clients.yml and kill it, and all it started, when it prints a line.

    A task's own line is printed with its first result, since skipped ones are not shown.
    """
    program = Path(sys.executable).parent / "ansible-playbook"
    place = site.place
    argv = [program, "-i", place / "hosts.yml", "-l", "rr-01", place / "playbooks/clients.yml"]
    process = subprocess.Popen(
        [*argv, *words],
        cwd=site.repository,
        env={**os.environ, **site.fleet.environment(), "ANSIBLE_NOCOLOR": "1"},
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    with process:
        seen = any(printed.startswith(line) for printed in process.stdout or ())
        os.killpg(process.pid, signal.SIGKILL)
    assert seen, f"the run never printed {line}"
