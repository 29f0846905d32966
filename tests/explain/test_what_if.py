"""What if: the same settings change nothing; another target changes what is called."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from logger.cli import app
from logger.explain.what_if import with_setting
from tests.report.records import RUN, listed, readings, write_journal

TEXT = '[bay]\nname = "B"\n[stations.table]\ntarget = "60 kg/h" # as fed\n'


@pytest.fixture(scope="module")
def journal(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("what-if") / "journal.sqlite"
    write_journal(path, listed(RUN, readings()))
    return path


def asked(journal: Path, *change: str) -> list[dict[str, object]]:
    sets = [word for each in change for word in ("--set", each)]
    result = CliRunner().invoke(app, ["what-if", *sets, "--journal", str(journal), "--json"])
    assert result.exit_code == 0, result.output
    found: list[dict[str, object]] = json.loads(result.stdout)["alarms"]
    return found


def station() -> str:
    from logger.settings import loads
    from tests.report.records import DEMO

    return loads(DEMO).bay.stations[0].name


def test_a_setting_is_changed_where_it_stands_and_added_where_it_does_not() -> None:
    assert 'target = "70 kg/h" # as fed' in with_setting(TEXT, "stations.table.target", '"70 kg/h"')
    assert '[stations.table]\nresolution = "5 g"\n' in with_setting(
        TEXT, "stations.table.resolution", '"5 g"'
    )
    assert with_setting(TEXT, "board.port", "1").endswith("\n[board]\nport = 1\n")


def test_another_name_of_the_bay_moves_no_alarm(journal: Path) -> None:
    rows = asked(journal, "bay.name=Another")
    assert rows
    assert {row["moved_s"] for row in rows} == {0.0}
    assert all(row["told"] for row in rows)


def test_a_target_far_from_what_was_fed_changes_what_is_called(journal: Path) -> None:
    rows = asked(journal, f"stations.{station()}.feed.target=200 kg/h")
    new = [row for row in rows if row["as_is"] is None]
    assert new
    assert not any(row["told"] for row in new)


def test_an_unknown_setting_is_refused(journal: Path) -> None:
    result = CliRunner().invoke(app, ["what-if", "--set", "bay.nam=X", "--journal", str(journal)])
    assert result.exit_code == 65
    assert "nam" in result.output


def test_a_value_that_breaks_the_text_is_refused_in_words(journal: Path) -> None:
    sets = ["--set", 'bay.name="half', "--set", "bay.units=kg"]
    result = CliRunner().invoke(app, ["what-if", *sets, "--journal", str(journal)])
    assert result.exit_code == 65, result.exception
    assert "the changed configuration" in result.output
