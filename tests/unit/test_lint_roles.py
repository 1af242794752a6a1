"""ansible-lint's production profile has nothing to say about what is rendered."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[2]
PLAYBOOKS = "inventories/fennmoor/rendered/playbooks"


def test_roles_and_playbooks_pass_the_production_profile() -> None:
    assert list(ROOT.glob(f"{PLAYBOOKS}/*.yml"))
    programs = Path(sys.executable).parent
    done = subprocess.run(
        [programs / "ansible-lint", "--offline", "--nocolor", "roles", PLAYBOOKS],
        cwd=ROOT,
        env={**os.environ, "PATH": f"{programs}:{os.environ['PATH']}"},
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert "profile 'production'" in (done.stdout + done.stderr).lower()
