"""A store that is away for a week, compressed: seven days of readings wait in one journal."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.followers.store.homes import NS, Home, delivered, expected, follower
from tests.followers.store.stub import StoreStub

WEEK_NS = 7 * 86_400 * NS


@pytest.mark.parametrize("count", [20_000, pytest.param(100_000, marks=pytest.mark.full)])
def test_after_a_week_every_point_is_there_once_under_its_own_time(tmp_path: Path, count: int) -> None:
    """Also those of a run that was opened, corrected and closed while the store was away."""
    home = Home(tmp_path)
    begin_ns = home.clock.at_ns
    with StoreStub() as store:
        made = follower(home, store)
        made.start()
        home.readings(100)
        delivered(home, made)
        store.stop()
        home.readings(count // 2, WEEK_NS // count)
        start_ns = home.clock.at_ns
        home.run("opened", "run-1", ("table", "L1", start_ns, None), {"run": "run-1"})
        home.readings(count // 4, WEEK_NS // count)
        home.run("changed", "run-1", ("table", "L2", start_ns, None), {"run": "run-1"})
        home.run("closed", "run-1", ("table", "L2", start_ns, home.clock.at_ns), {"run": "run-1"})
        home.readings(count // 4, WEEK_NS // count)
        home.until(lambda: made.standing().ledger.pending > count, "the follower knowing all that waits")
        store.start()
        delivered(home, made, 90.0)
        standing = made.standing()
        made.stop()
    assert home.clock.at_ns - begin_ns > 0.99 * WEEK_NS
    assert store.held == expected(home)
    assert standing.ledger.balanced
    assert standing.counts["points"] < 1.05 * len(store.held), "sent more often than an outage asks for"
    home.close()
