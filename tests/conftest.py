"""What every room's tests share."""

from tests.no_skips import pytest_make_collect_report, pytest_runtest_makereport

__all__ = ["pytest_make_collect_report", "pytest_runtest_makereport"]
