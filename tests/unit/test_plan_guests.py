"""What guests have of their own, planned, checked and written where people read it."""

from __future__ import annotations

import json
from pathlib import Path

from render_sites import TINY, make_repository, seatwright


def plan(root: Path, guests: str) -> tuple[dict, Path]:
    site = make_repository(root, TINY.replace("    ports: 2\n", f"    ports: 2\n    {guests}\n"))
    done = seatwright("render", site)
    assert done.returncode == 0, done.stdout
    return json.loads((site.parent / "rendered/plan.json").read_text()), site.parent / "rendered"


def test_ports_come_after_the_guest_s_own_devices(tmp_path: Path) -> None:
    found, _ = plan(tmp_path / "three", "guests: {own-devices: 3}")
    assert [one["port"] for one in found["guests"]["hall-1"]["ports"]] == ["4", "5"]
    found, _ = plan(tmp_path / "none", "guests: {own-devices: 0}")
    assert [one["port"] for one in found["guests"]["hall-1"]["ports"]] == ["1", "2"]


def test_a_full_controller_counts_them(tmp_path: Path) -> None:
    """EHCI has six ports: with five taken, the second redirection port needs a second one."""
    found, _ = plan(tmp_path, "controller: ehci\n    guests: {own-devices: 5}")
    guest = found["guests"]["hall-1"]
    assert [(one["bus"], one["port"]) for one in guest["ports"]] == [(0, "6"), (1, "1")]
    assert [one["index"] for one in guest["controllers"]] == [0, 1]


def test_totals_and_who_starts_guests_are_in_the_summary(tmp_path: Path) -> None:
    _, rendered = plan(tmp_path, 'guests: {started-by: "the porter, at eight"}')
    summary = (rendered / "summary.md").read_text()
    assert "| `quay` | libvirt | 4 | 7 | TCP 5901 to 5904 | never |" in summary
    assert "Guests of The Hall that are off are started by: the porter, at eight" in summary
