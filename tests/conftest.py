"""Puts the generator on the path: tests run from a clone, nothing is installed."""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "generator"))
