"""Shared switches of the tests."""

from __future__ import annotations

import pytest


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--full", action="store_true", help="run the long repetitions too")


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    if config.getoption("--full"):
        return
    long = [item for item in items if item.get_closest_marker("full")]
    config.hook.pytest_deselected(items=long)
    items[:] = [item for item in items if item not in long]
