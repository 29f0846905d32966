"""`tallydeck scales`: what check weights said."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta

import pytest

from logger.balance.document import CheckWeight, Scale
from tests.board.fake_desk import FakeDesk
from tests.commands.conftest import Run

AT = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)


@pytest.fixture(autouse=True)
def _scales(desk: FakeDesk) -> None:
    """One that is checked each day and creeps upwards, one that never was."""
    checks = tuple(
        CheckWeight(nominal=5.0, shown=5.0 + 0.005 * day, at=AT - timedelta(days=4 - day)) for day in range(5)
    )
    desk.scales_known = {
        "bench": Scale(resolution=0.005, tolerance=0.008, checks=checks),
        "feed": Scale(resolution=0.01),
    }


def test_the_last_check_of_each_scale_is_listed(run: Run) -> None:
    done = run("scales")
    assert done.exit_code == 0, done.stderr
    bench, feed = [line for line in done.stdout.splitlines() if "bench " in line or "feed " in line][:2]
    assert [word in bench for word in ("5.0000", "5.0200", "+0.0200", "0.0080", "fails")] == [True] * 5
    assert "09:00" in bench  # by the bay's own clock
    assert "never checked" in feed
    assert "bench: it drifts" in done.stdout
    assert "feed: it was never checked" in done.stderr


def test_all_checks_of_one_scale_newest_first(run: Run) -> None:
    done = run("scales", "bench", "--json")
    (told,) = json.loads(done.stdout)
    assert [check["verdict"] for check in told["checks"]] == ["fails", "fails", "fails", "passes", "passes"]
    assert told["drift"]["per_day"] == pytest.approx(0.001)


def test_a_scale_that_there_is_not(run: Run) -> None:
    done = run("scales", "kitchen")
    assert done.exit_code == 65
    assert 'no scale "kitchen"; there is bench, feed' in done.stderr
