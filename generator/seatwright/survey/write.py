"""Nothing that a survey writes fails to read back."""

from __future__ import annotations

import tempfile
from pathlib import Path

from seatwright.findings.finding import Finding
from seatwright.site.read import read_site

AROUND = "seatwright: 1\nsite: survey\nfiles: [model.yml]\n"
"""The least site that a model can be read in."""


def findings_of(model: str) -> tuple[Finding, ...]:
    """What there is to say of a model's text; () for one that can be used as it is."""
    with tempfile.TemporaryDirectory(prefix="seatwright-") as work:
        Path(work, "site.yml").write_text(AROUND, encoding="utf-8")
        Path(work, "model.yml").write_text(model, encoding="utf-8")
        return read_site(Path(work, "site.yml")).findings
