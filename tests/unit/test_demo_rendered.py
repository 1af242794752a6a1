"""The committed roles and inventory of the demo are what render makes of its description."""

from __future__ import annotations

from pathlib import Path

from render_sites import seatwright

ROOT = Path(__file__).parents[2]
SITE = ROOT / "inventories" / "fennmoor" / "site.yml"


def test_the_committed_tree_is_what_would_be_rendered() -> None:
    done = seatwright("render", SITE, "--check")
    assert done.returncode == 0, done.stderr


def test_the_demo_checks_without_errors_or_warnings() -> None:
    done = seatwright("check", SITE, "--fail-on", "warning")
    assert done.returncode == 0, done.stdout
