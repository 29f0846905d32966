"""One journal of the invented foundry's run, made once; whoever changes it works on a copy."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from tests.report.records import ASSAYS, RUN, listed, readings, write_journal


@pytest.fixture(scope="session")
def run_journal(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A run of twelve minutes with a clog, a container change and changed settings; no assay yet."""
    path = tmp_path_factory.mktemp("report") / "journal.sqlite"
    write_journal(path, listed(RUN, readings()))
    return path


@pytest.fixture(scope="session")
def assayed_journal(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same run with the results of its samples."""
    path = tmp_path_factory.mktemp("report") / "journal.sqlite"
    write_journal(path, listed((*RUN, *ASSAYS), readings()))
    return path


@pytest.fixture
def journal(run_journal: Path, tmp_path: Path) -> Path:
    """A copy of `run_journal` that may be changed."""
    return Path(shutil.copy(run_journal, tmp_path / "journal.sqlite"))
