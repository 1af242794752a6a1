"""Files that a survey writes: new ones only, and nothing that would not read back."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

from seatwright.findings.finding import Finding
from seatwright.site.read import read_site

AROUND = "seatwright: 1\nsite: survey\nfiles: [model.yml]\n"
"""The least site that a model can be read in."""


def write_new(path: Path, data: bytes) -> None:
    """Write a file that is not there yet, whole or not at all.

    Raises FileExistsError where it is, and OSError.
    """
    descriptor, beside = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
    try:
        with open(descriptor, "wb") as file:
            file.write(data)
            file.flush()
            os.fchmod(file.fileno(), 0o644)
            os.fsync(file.fileno())
        os.link(beside, path)  # unlike a rename, it never goes over a file
    finally:
        os.unlink(beside)


def findings_of(model: str) -> tuple[Finding, ...]:
    """What there is to say of a model's text; () for one that can be used as it is."""
    with tempfile.TemporaryDirectory(prefix="seatwright-") as work:
        Path(work, "site.yml").write_text(AROUND, encoding="utf-8")
        Path(work, "model.yml").write_text(model, encoding="utf-8")
        return read_site(Path(work, "site.yml")).findings
