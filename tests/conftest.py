"""Shared switches of the tests."""

from __future__ import annotations

from collections.abc import Generator

import pytest
from hypothesis import settings

# The same examples in every run, so that a failure is about the change at hand; --full draws fresh ones. How
# long one takes on a busy machine says nothing: pytest ends a test that hangs.
settings.register_profile("same", derandomize=True, deadline=None)
settings.register_profile("fresh", derandomize=False, deadline=None)


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--full", action="store_true", help="run the long repetitions too")


def pytest_configure(config: pytest.Config) -> None:
    settings.load_profile("fresh" if config.getoption("--full") else "same")


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    if config.getoption("--full"):
        return
    long = [item for item in items if item.get_closest_marker("full")]
    config.hook.pytest_deselected(items=long)
    items[:] = [item for item in items if item not in long]


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport() -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """What was captured goes from worker to worker as UTF-8, and some tests log lone surrogates."""
    report = yield
    report.sections = [
        (head, text.encode("utf-8", "backslashreplace").decode()) for head, text in report.sections
    ]
    return report
