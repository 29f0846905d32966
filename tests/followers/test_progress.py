"""Progress against a model that keeps every entry by itself; and what it makes of a cursor it can't read."""

from __future__ import annotations

import json
import logging
from random import Random

import pytest

from logger.followers.progress import Ledger, Progress
from logger.journal.cursors import Aside

MUCH = 8


class Plain:
    """Each entry has a state of its own here; what was delivered and so on is counted one by one."""

    def __init__(self, luck: Random) -> None:
        self.luck = luck
        self.progress = Progress("store", much=MUCH)
        self.known = self.again = self.delivered = self.aside = self.gone = 0
        self.pending: set[int] = set()
        self.live_from = 1
        self.cleared: list[tuple[int, int]] = []

    def the_journal_grows(self) -> None:
        seen = self.known + self.luck.randint(-3, 20)
        self.progress.see(seen)
        self.pending |= set(range(self.known + 1, seen + 1))
        self.known = max(self.known, seen)

    def what_is_live_is_sent(self) -> None:
        limit = self.luck.randint(1, 6)
        batch = self.progress.live(limit)
        live = sorted(number for number in self.pending if number >= self.live_from)
        if len(live) > MUCH:
            self.live_from, live = self.known + 1, []
        self.settle(batch, live, limit)

    def the_backlog_is_sent(self) -> None:
        limit = self.luck.randint(1, 6)
        old = sorted(number for number in self.pending if number < self.live_from)
        assert self.progress.behind == bool(old)
        self.settle(self.progress.backlog(limit), old, limit)

    def settle(self, batch: tuple[int, int] | None, waiting: list[int], limit: int) -> None:
        """The batch must be the first of what waits, without a hole; then it is done with."""
        if not waiting:
            assert batch is None
            return
        assert batch is not None
        whole = [seq for place, seq in enumerate(waiting) if seq == waiting[0] + place][:limit]
        assert list(range(batch[0], batch[1] + 1)) == whole
        read = max(len(whole) - self.luck.randint(0, 2), 0)
        aside = [Aside(seq, 0, "bad", "x") for seq in whole[: min(self.luck.randint(0, 2), read)]]
        self.progress.settle(batch[0], batch[1], read, aside + aside)  # two points of an entry count once
        self.pending -= set(whole)
        self.delivered += read - len(aside)
        self.aside += len(aside)
        self.gone += len(whole) - read

    def some_are_put_back(self) -> None:
        first = self.luck.randint(-2, self.known + 5)
        last = first + self.luck.randint(-1, 20)
        wanted = {seq for seq in range(first, last + 1) if 1 <= seq <= self.known}
        new = wanted - self.pending
        assert self.progress.put_back(first, last) == len(new)
        self.again += len(new)
        self.pending |= new
        if new:
            self.cleared.append((min(wanted), max(wanted)))
            self.live_from = max(self.live_from, max(wanted) + 1)

    def it_starts_anew_from_its_cursor(self) -> None:
        cursor = self.progress.cursor()
        assert list(cursor.cleared) == self.cleared
        assert (cursor.name, cursor.seq) == ("store", self.known)
        self.progress = Progress("store", (cursor.seq, cursor.state), much=MUCH)
        self.cleared, self.live_from = [], 1

    def what_is_not_pending_is_settled(self) -> None:
        first = self.luck.randint(1, self.known + 1)
        last = first + self.luck.randint(0, 3)
        if not set(range(first, last + 1)) <= self.pending:
            with pytest.raises(ValueError, match="not all pending"):
                self.progress.settle(first, last, last - first + 1)

    def a_part_is_looked_at(self) -> None:
        first = self.luck.randint(1, self.known + 1)
        last = first + self.luck.randint(-1, 5)
        found = bool(self.pending & set(range(first, last + 1)))
        assert self.progress.pending_in(first, last) == found

    def ledger(self) -> Ledger:
        return Ledger(self.known, self.again, self.delivered, len(self.pending), self.aside, self.gone)


STEPS = (
    *[Plain.the_journal_grows] * 3,
    *[Plain.what_is_live_is_sent] * 4,
    *[Plain.the_backlog_is_sent] * 4,
    Plain.some_are_put_back,
    Plain.it_starts_anew_from_its_cursor,
    Plain.what_is_not_pending_is_settled,
    Plain.a_part_is_looked_at,
)


@pytest.mark.parametrize("seed", range(60))
def test_after_each_of_any_steps_the_ledger_is_that_of_the_model_and_balances(seed: int) -> None:
    luck = Random(seed)
    plain = Plain(luck)
    for _ in range(120):
        luck.choice(STEPS)(plain)
        assert plain.progress.ledger() == plain.ledger()
        assert plain.progress.ledger().balanced
        assert plain.progress.ledger(plain.known + 5).balanced


def state(**changed: object) -> str:
    told = {"known": 5, "again": 0, "delivered": 3, "aside": 0, "gone": 0, "pending": [[4, 5]]}
    return json.dumps(told | changed)


@pytest.mark.parametrize(
    "kept",
    [
        "{",
        "null",
        "[]",
        "7",
        json.dumps({"known": 5}),
        state(known=6),
        state(pending=[[4, 6]]),
        state(pending=[4]),
        state(pending=None),
        state(delivered="many"),
        state(delivered=1e400),
        state(pending=[[5, 9]], delivered=0),
        state(pending=[[-1, 0]]),
        state(known=-1, delivered=-3),
    ],
)
def test_a_cursor_that_cannot_be_used_is_told_and_all_is_sent_again(
    kept: str, caplog: pytest.LogCaptureFixture
) -> None:
    with caplog.at_level(logging.ERROR):
        progress = Progress("store", (5, kept))
    assert "can't be used" in caplog.text
    progress.see(5)
    assert progress.ledger() == Ledger(5, 0, 0, 5, 0, 0)


def test_a_cursor_that_can_be_used_goes_on_where_it_was() -> None:
    progress = Progress("store", (5, state()))
    assert progress.ledger() == Ledger(5, 0, 3, 2, 0, 0)
    assert progress.live(9) == (4, 5)


def test_live_overtakes_a_backlog_and_both_are_done_in_the_end() -> None:
    progress = Progress("store", much=10)
    progress.see(100)
    assert progress.live(5) is None
    progress.see(103)
    assert progress.live(5) == (101, 103)
    assert progress.backlog(5) == (1, 5)
