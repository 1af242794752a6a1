"""Types and style hold: the linters people run by hand are tests, too (``make lint``)."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]


@pytest.mark.parametrize(
    "words",
    [
        pytest.param(["ruff", "check"], id="ruff"),
        pytest.param(["ruff", "format", "--check"], id="format"),
        pytest.param(["mypy"], id="mypy-strict"),
    ],
)
def test_nothing_to_say(words: list[str]) -> None:
    done = subprocess.run(
        [sys.executable, "-m", *words], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr
