"""Where CI=true a skipped test has failed: there everything that a test needs is to be installed.

The hooks are imported by conftest.py, which makes pytest see them.
"""

from __future__ import annotations

import os
from collections.abc import Generator

import pytest


def _refuse(report: pytest.TestReport | pytest.CollectReport) -> None:
    if report.skipped and not hasattr(report, "wasxfail") and os.environ.get("CI") == "true":
        reason = report.longrepr[2] if isinstance(report.longrepr, tuple) else str(report.longrepr)
        report.outcome = "failed"
        report.longrepr = f"a skip is a failure where CI=true. {reason}"


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport() -> Generator[None, pytest.TestReport, pytest.TestReport]:
    report = yield
    _refuse(report)
    return report


@pytest.hookimpl(wrapper=True)
def pytest_make_collect_report() -> Generator[None, pytest.CollectReport, pytest.CollectReport]:
    report = yield
    _refuse(report)
    return report
