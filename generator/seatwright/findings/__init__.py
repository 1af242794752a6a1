"""What the checks have to say: values, catalogue and formats of findings."""

from seatwright.findings.finding import Finding, Place, Severity, SourcePath

__all__ = ["Finding", "Place", "Severity", "SourcePath"]
