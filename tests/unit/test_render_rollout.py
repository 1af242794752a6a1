"""``clients.yml`` goes out in stages: real Ansible, with roles that only say yes or no.

The seats are this machine; a seat fails, cannot be reached or waits because a variable says so.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import pytest

from render_sites import TINY, make_repository, seatwright

SITE = TINY.replace("[hall-1 to hall-3,", "[hall-1 to hall-5,").replace(
    "  attic: {policy: readers, model: ridge, host: quay}",
    "  attic: {policy: readers, model: ridge, host: quay, seats: [attic-1 to attic-4]}",
)
BASE = """\
- name: Go there
  ansible.builtin.ping:
  when: inventory_hostname in away | default([])
- name: Say yes or no
  ansible.builtin.fail:
    msg: no session
  when: inventory_hostname in failing | default([])
"""
AUTOSTART = """\
- name: Say what became of the session, as the role does
  ansible.builtin.set_fact:
    seat_autostart_restarted:
      did: "{{ 'wait' if inventory_hostname in waiting | default([]) else 'restart' }}"
"""


@dataclass(frozen=True, slots=True)
class Run:
    """What a run said: its end, its output, and the seats that came through, play by play."""

    status: int
    output: str
    batches: list[list[str]]

    @property
    def done(self) -> set[str]:
        return {seat for batch in self.batches for seat in batch}


@pytest.fixture(scope="module")
def root(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A rendered repository whose seats are this machine and whose roles do nothing."""
    root = tmp_path_factory.mktemp("rollout")
    assert seatwright("render", make_repository(root, SITE)).returncode == 0
    for role in ("seat_base", "seat_session", "seat_filter", "seat_autostart"):
        tasks = root / "yes_or_no" / role / "tasks/main.yml"
        tasks.parent.mkdir(parents=True)
        texts = {"seat_base": BASE, "seat_autostart": AUTOSTART}
        tasks.write_text("---\n" + texts.get(role, "[]\n"))
    clients = root / "inventories/lock/rendered/group_vars/clients.yml"
    clients.write_text(
        "ansible_connection: >-\n"
        "  {{ 'ssh' if inventory_hostname in away | default([]) else 'local' }}\n"
        "ansible_host: 127.0.0.1\nansible_port: 1\nansible_ssh_retries: 0\n"
        f"ansible_python_interpreter: {sys.executable}\n"
    )
    hosts = root / "inventories/lock/rendered/hosts.yml"
    hosts.write_text(re.sub(r"ansible_host: [^,]+, ", "", hosts.read_text()))
    return root


def run(root: Path, *words: str) -> Run:
    rendered = "inventories/lock/rendered"
    done = subprocess.run(
        [
            Path(sys.executable).with_name("ansible-playbook"),
            *("-i", f"{rendered}/hosts.yml", f"{rendered}/playbooks/clients.yml"),
            *("-e", "ansible_become=false", *words),
        ],
        cwd=root,
        env={**os.environ, "ANSIBLE_ROLES_PATH": "yes_or_no", "ANSIBLE_NOCOLOR": "1"},
        capture_output=True,
        text=True,
        check=False,
    )
    batches = []
    for play in re.split(r"^PLAY \[", done.stdout, flags=re.MULTILINE)[1:]:
        if seats := sorted(re.findall(r"^ok: \[([a-z0-9-]+)\]$", play, flags=re.MULTILINE)):
            batches.append(seats)
    return Run(done.returncode, done.stdout + done.stderr, batches)


HALL = {f"hall-{number}" for number in range(1, 6)} | {"desk-1"}
ATTIC = {f"attic-{number}" for number in range(1, 5)}


def said(run: Run) -> str:
    """The output as one line: Ansible breaks long messages."""
    return " ".join(run.output.split())


def test_pilots_then_batches_of_every_room(root: Path) -> None:
    came = run(root)
    assert came.status == 0, came.output
    assert came.batches[0] == ["attic-1", "hall-1"]
    assert came.done == HALL | ATTIC
    assert [len(batch) for batch in came.batches[1:]] == [2, 2, 2, 2]
    assert "WARNING" not in came.output


def test_a_room_whose_pilot_failed_is_left_alone(root: Path) -> None:
    came = run(root, "-e", '{"failing": ["hall-1"]}', "-e", "seatwright_batch=100%")
    assert came.status == 2
    assert came.done == ATTIC
    assert "The other seats of The Hall stay as they are in this run." in said(came)
    assert "The Hall: its first seat hall-1 did not come up, so its other seats stay" in said(came)


def test_a_pilot_that_is_not_there_counts_as_failed(root: Path) -> None:
    came = run(root, "-e", '{"away": ["attic-1"]}', "-e", "seatwright_batch=100%")
    assert came.status == 4
    assert came.done == HALL
    assert "its first seat attic-1 did not come up" in said(came)


def test_a_pilot_in_use_has_shown_nothing_yet(root: Path) -> None:
    came = run(root, "-e", '{"waiting": ["hall-1"]}', "-e", "seatwright_batch=100%")
    assert came.status == 0
    assert came.done == ATTIC | {"hall-1"}
    assert "its first seat hall-1 is in use and restarts later, so its other seats" in said(came)


def test_when_every_pilot_failed_the_reason_is_said_and_nothing_else_done(root: Path) -> None:
    came = run(root, "-l", "room_hall", "-e", '{"failing": ["hall-1"]}')
    assert came.status == 2
    assert not came.done
    assert "hall-1 did not come up; the reason stands above. The other seats of The Hall" in said(
        came
    )


def test_a_run_stops_when_too_many_of_a_batch_fail(root: Path) -> None:
    came = run(root, "-e", '{"failing": ["hall-2", "attic-2"]}', "-e", "seatwright_batch=4")
    assert came.status == 2
    assert came.done == {"attic-1", "hall-1"}, "2 of the first 4 failed, and the rest was not begun"


@pytest.mark.parametrize("limit", ["hall-4", "desk-1,attic-1"])
def test_some_seats_only(root: Path, limit: str) -> None:
    """A seat that is not its room's first does not need the first one in the same run."""
    came = run(root, "-l", limit)
    assert came.status == 0, came.output
    assert came.done == set(limit.split(","))


def test_without_stages_everything_is_one_play(root: Path) -> None:
    came = run(root, "-e", "seatwright_stages=false", "-e", '{"failing": ["hall-1"]}')
    assert came.status == 2
    assert len(came.batches) == 1
    assert came.done == (HALL | ATTIC) - {"hall-1"}
    assert "stay as they are" not in came.output
