"""A large backlog and a slow store: what is new does not wait for what is old, and each point comes once."""

from __future__ import annotations

import time
from pathlib import Path

from tests.followers.store.homes import BEGIN_NS, NS, Home, delivered, expected, follower
from tests.followers.store.stub import StoreStub, parsed

BACKLOG = 20_000
LAG_S = 2.0


def test_new_points_overtake_a_backlog_that_drains_into_a_slow_store(tmp_path: Path) -> None:
    """Every new point is there within two seconds while old ones still wait; then all are, each once."""
    home = Home(tmp_path)
    came_s: dict[int, float] = {}
    entered_s: dict[int, float] = {}

    def took(lines: list[str]) -> None:
        now_s = time.monotonic()
        for line in lines:
            came_s.setdefault(parsed(line)[2], now_s)

    with StoreStub() as store:
        store.took, store.delay_s, store.most_lines = took, 0.2, 1_000
        home.readings(BACKLOG)
        made = follower(home, store)
        made.start()
        home.until(lambda: store.lines > 0, "the first of the backlog")
        waiting = []
        for _ in range(6):
            begin_s = time.monotonic()
            home.readings(20)
            fresh = set(newest_times(home)) - entered_s.keys()
            entered_s |= dict.fromkeys(fresh, begin_s)
            home.until(lambda new=fresh: new <= came_s.keys(), "what is new", LAG_S + 3.0)
            waiting.append(made.standing().ledger.pending)
        delivered(home, made, 60.0)
        counts = made.standing().counts
        made.stop()
    assert waiting[-1] > 1_000, f"the backlog was through too soon to prove anything: {waiting}"
    assert len(entered_s) == 120
    assert max(came_s[at_ns] - entered_s[at_ns] for at_ns in entered_s) < LAG_S
    assert store.held == expected(home)
    assert store.lines == counts["points"] == BACKLOG + 120
    home.close()


def newest_times(home: Home) -> list[int]:
    """The times of the newest points."""
    return [at_ns for _, at_ns in expected(home) if at_ns > BEGIN_NS + (BACKLOG // 100) * NS + NS // 200]
