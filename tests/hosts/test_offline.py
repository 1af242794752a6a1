"""Provisioning a root file system that lies in a directory: as on a seat, but nothing starts."""

from __future__ import annotations

import json
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from conftest import DEMO, ROOT
from seatwright.offline.provision import OfflineSite
from seatwright.rehearsal.base import STOCKED_SEAT, copy_root, ensure
from seatwright.rehearsal.errors import RehearsalError

SITE = OfflineSite(ROOT, DEMO)


@pytest.fixture(scope="module")
def root(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """A root of its own, with the site's user let in and the seat fd-1 provisioned."""
    place = tmp_path_factory.mktemp("offline")
    root = place / "root"
    copy_root(ensure(STOCKED_SEAT), root)
    subprocess.run(
        ["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-f", str(place / "key")], check=True
    )
    SITE.first_access(root, "fd-1", place / "key.pub").expect_success()
    first = SITE.clients(root, "fd-1").expect_success()
    assert first.recap["fd-1"].changed > 3
    yield root
    subprocess.run(["rm", "-rf", str(place)], check=True)


def test_a_second_run_changes_nothing(root: Path) -> None:
    assert SITE.clients(root, "fd-1").expect_success().recap["fd-1"].changed == 0


def test_units_are_enabled_and_the_seat_is_told_its_name(root: Path) -> None:
    wants = root / "etc/systemd/system/multi-user.target.wants/seatwright-session.service"
    assert wants.is_symlink()
    assert json.loads((root / "etc/seatwright/session.json").read_text())["seat"] == "fd-1"
    assert "ops" in (root / "etc/passwd").read_text()
    assert (root / "home/ops/.ssh/authorized_keys").stat().st_size > 50


def test_nothing_runs_or_is_mounted_and_nothing_of_ours_is_left(root: Path) -> None:
    assert str(root) not in Path("/proc/self/mounts").read_text()
    roots = [link for link in Path("/proc").glob("[0-9]*/root") if _leads_to(link, root)]
    assert roots == []
    for path in ("root/.ansible", "usr/sbin/policy-rc.d", "run/seatwright", "dev/pts/ptmx"):
        assert not (root / path).exists(), path
    assert list((root / "usr/lib/seatwright").rglob("__pycache__")) == []
    assert list((root / "tmp").iterdir()) == []


def _leads_to(link: Path, root: Path) -> bool:
    try:
        return link.readlink() == root
    except OSError:
        return False


def test_tasks_have_no_network_and_start_nothing(root: Path, tmp_path: Path) -> None:
    """A play of our own through the connection: what systemd and the kernel say inside."""
    place = tmp_path / "site"
    (place / "playbooks").mkdir(parents=True)
    (place / "hosts.yml").write_text("all: {hosts: {fd-1: {}}}\n")
    (place / "playbooks/look.yml").write_text(
        """
- hosts: all
  gather_facts: false
  tasks:
    - ansible.builtin.raw: cat /proc/net/dev | grep -c :; cat /proc/1/comm; env
      register: seen
    - ansible.builtin.raw: systemctl start ssh.service; ls /run/systemd 2>&1; pgrep sshd || true
      register: started
    - ansible.builtin.copy: {content: "ü\\n", dest: /etc/written, mode: "0640"}
    - ansible.builtin.fetch: {src: /etc/written, dest: "{{ playbook_dir }}/got", flat: true}
    - ansible.builtin.debug: {var: seen.stdout_lines}
    - ansible.builtin.debug: {var: started.stdout_lines}
"""
    )
    run = OfflineSite(ROOT, place).playbook("look", root, "fd-1").expect_success()
    assert '"1",' in run.text or "- '1'" in run.text  # one interface: loopback
    assert "SYSTEMD_OFFLINE=1" in run.text
    assert "No such file or directory" in run.text  # no /run/systemd, so nothing started
    assert (place / "playbooks/got").read_text() == "ü\n"
    assert (root / "etc/written").stat().st_mode & 0o777 == 0o640
    (root / "etc/written").unlink()


@pytest.mark.parametrize("path", ["/", "/etc", "/nowhere"])
def test_a_directory_that_is_no_root_is_refused(path: str) -> None:
    with pytest.raises(RehearsalError, match="not a root file system"):
        SITE.clients(Path(path), "fd-1")
