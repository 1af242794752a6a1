"""Puts the generator on the path: tests run from a clone, nothing is installed.

Where CI says so (``CI=true``), a test that is skipped has failed: on that machine everything a
test needs is installed, so a skip would hide that something is not.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Generator
from pathlib import Path

import pytest
from hypothesis import settings

sys.path.insert(0, str(Path(__file__).parents[1] / "generator"))

CI = os.environ.get("CI") == "true"

settings.register_profile("dev", deadline=None)
settings.register_profile("ci", deadline=None, print_blob=True)
settings.load_profile("ci" if CI else "dev")


def _fail_if_skipped(report: pytest.TestReport | pytest.CollectReport) -> None:
    if CI and report.outcome == "skipped" and not hasattr(report, "wasxfail"):
        report.outcome = "failed"
        report.longrepr = f"Nothing may be skipped in CI: {report.longrepr}"


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport() -> Generator[None, pytest.TestReport, pytest.TestReport]:
    report = yield
    _fail_if_skipped(report)
    return report


@pytest.hookimpl(wrapper=True)
def pytest_make_collect_report() -> Generator[None, pytest.CollectReport, pytest.CollectReport]:
    report = yield
    _fail_if_skipped(report)
    return report
