"""The follower of the store against a store that answers what it is told."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from logger.core.entries import Tick
from logger.core.tagging import Clockwork
from logger.followers.progress import Ledger, Progress
from logger.followers.store.sender import Pace
from logger.followers.store.times import Pin, Times
from logger.journal.journal import JournalReader
from tests.followers.store.homes import BRISK, NS, Home, delivered, expected, follower
from tests.followers.store.stub import DROP, DROP_AFTER, GARBAGE, HANG, NO_TEXT, Say, StoreStub


@pytest.fixture
def home(tmp_path: Path) -> Iterator[Home]:
    made = Home(tmp_path)
    yield made
    made.close()


@pytest.fixture
def store() -> Iterator[StoreStub]:
    with StoreStub() as stub:
        yield stub


def test_what_is_in_the_journal_comes_to_the_store(home: Home, store: StoreStub) -> None:
    """Before and after the follower starts, each point once."""
    home.readings(1234)
    made = follower(home, store)
    made.start()
    delivered(home, made)
    home.readings(321)
    delivered(home, made)
    made.stop()
    assert store.held == expected(home)
    assert store.lines == 1234 + 321
    assert made.standing().counts["points"] == 1234 + 321


def test_what_leaves_no_line_is_settled_without_a_request(home: Home, store: StoreStub) -> None:
    """Ticks, garbage, circumstances."""
    home.enter([Tick(home.clock.at_ns + i * NS) for i in range(50)])
    made = follower(home, store)
    made.start()
    delivered(home, made)
    made.stop()
    assert store.seen == 0
    assert made.standing().ledger.delivered == 50


@pytest.mark.parametrize(
    "faults",
    [
        pytest.param([HANG], id="hang"),
        pytest.param([DROP, DROP], id="drop"),
        pytest.param([DROP_AFTER, DROP_AFTER], id="commit-then-drop"),
        pytest.param([GARBAGE], id="garbage"),
        pytest.param([NO_TEXT], id="no-text"),
        pytest.param([Say(401)] * 2, id="401"),
        pytest.param([Say(404)] * 2, id="404"),
        pytest.param([Say(301)], id="301"),
        pytest.param([Say(200, "hello")], id="200"),
        pytest.param([Say(413)] * 3, id="413"),
        pytest.param([Say(422, stored=True)] * 3, id="422"),
        pytest.param([Say(429, "", (("Retry-After", "1"),))], id="429"),
        pytest.param([Say(503, "", (("Retry-After", "1"),))], id="503"),
        pytest.param([Say(500)] * 2, id="500"),
    ],
)
def test_no_fault_loses_or_doubles_a_point(home: Home, store: StoreStub, faults: list[Say | str]) -> None:
    """And the ledger balances, and a follower made anew goes on where the old one was."""
    home.readings(300)
    made = follower(home, store)
    made.start()
    delivered(home, made)
    store.answers.extend(faults)
    for _ in range(20):
        home.readings(50)
        time.sleep(0.01)
    delivered(home, made)
    made.stop()
    assert not store.answers
    assert store.held == expected(home)
    assert made.standing().ledger.aside == 0
    home.commit()
    _goes_on(home, store)


def _goes_on(home: Home, store: StoreStub) -> None:
    """A new life sends the new, and of the old no more than its last seconds."""
    before, lines = made_ledger(home), store.lines
    home.readings(100)
    made = follower(home, store, BRISK._replace(timeout_s=20.0))
    made.start()
    delivered(home, made)
    made.stop()
    assert store.held == expected(home)
    assert made.standing().ledger.known == before.known + 100
    assert store.lines - lines == 100 + made.standing().counts["put_back"]


def made_ledger(home: Home) -> Ledger:
    with JournalReader(home.path) as reader:
        return Progress("store", reader.cursor("store")).ledger()


def test_a_store_that_is_down_gets_everything_once_it_is_up(home: Home, store: StoreStub) -> None:
    """Connections are refused for a while; of so short a trouble no alarm comes."""
    home.readings(1000)
    made = follower(home, store)
    made.start()
    delivered(home, made)
    store.stop()
    for _ in range(10):
        home.readings(100)
        time.sleep(0.05)
    home.until(lambda: made.standing().state == "retrying", "the trouble")
    assert "does not answer" in made.standing().message
    store.start()
    delivered(home, made)
    made.stop()
    assert store.held == expected(home)
    assert [each.data["state"] for each in home.said] == ["expected"]


def test_what_a_killed_store_forgot_is_sent_again(home: Home, store: StoreStub) -> None:
    """It acknowledged, and lost it with its memory; nobody was asked meanwhile."""
    made = follower(home, store)
    made.start()
    for _ in range(3):
        home.readings(200)
        delivered(home, made)
    store.stop()
    store.held.clear()
    store.start()
    home.readings(100)
    delivered(home, made)
    home.until(lambda: made.standing().ledger.again == 600, "the second sending")
    delivered(home, made)
    made.stop()
    assert store.held == expected(home)


def test_a_killed_program_and_store_find_each_other_again(home: Home, store: StoreStub) -> None:
    """The power failed for both: what was acknowledged last is sent by the next life."""
    made = follower(home, store)
    made.start()
    home.readings(700)
    delivered(home, made)
    home.commit()
    home.lost = True
    made.stop()
    home.commit()
    home.lost = False
    store.held.clear()
    home.readings(10)
    made = follower(home, store)
    made.start()
    delivered(home, made)
    home.until(lambda: made.standing().ledger.again == 700, "the second sending")
    delivered(home, made)
    made.stop()
    assert store.held == expected(home)


def test_a_crash_sends_a_little_again_and_loses_nothing(home: Home, store: StoreStub) -> None:
    """What was to be kept never was; the next life begins where the last kept cursor stood."""
    home.readings(3000)
    for _ in range(5):
        made = follower(home, store)
        made.start()
        home.readings(500)
        home.until(lambda: store.seen > 0, "a write")
        home.lost = True
        made.stop()
        home.commit()
        home.lost = False
        store.seen = 0
    made = follower(home, store)
    made.start()
    delivered(home, made)
    made.stop()
    assert store.held == expected(home)


def test_a_point_that_can_not_be_taken_is_set_aside(home: Home, store: StoreStub) -> None:
    """One in 5,000; all others arrive, and the point is kept with the store's words."""
    home.readings(5000)
    whole = expected(home)
    bad = sorted(whole)[1234]
    store.poison = lambda line: line.startswith(bad[0] + " ") and line.endswith(str(bad[1]))
    made = follower(home, store)
    made.start()
    delivered(home, made)
    made.stop()
    home.commit()
    del whole[bad]
    assert store.held == whole
    assert made.standing().ledger.aside == 1
    assert made.standing().ledger.delivered == 4999
    with JournalReader(home.path) as reader:
        (aside,) = reader.aside("store")
    assert "unable to parse" in aside.reason
    assert aside.text.endswith(str(bad[1]))
    store.poison = lambda line: False
    made = follower(home, store)
    made.start()
    delivered(home, made)
    assert made.again(aside.seq, aside.seq) == 1
    delivered(home, made)
    made.stop()
    home.commit()
    assert store.held == expected(home)
    with JournalReader(home.path) as reader:
        assert not reader.aside("store")


def test_a_store_that_takes_little_at_once_gets_little(home: Home, store: StoreStub) -> None:
    """413 halves the batch, and it does not grow back at once."""
    store.most_lines = 100
    home.readings(4000)
    made = follower(home, store)
    made.start()
    delivered(home, made)
    made.stop()
    assert store.held == expected(home)
    assert made.standing().counts["bisected"] < 12
    assert made.standing().ledger.aside == 0


def test_a_store_that_refuses_us_is_told_of_at_once(home: Home, store: StoreStub) -> None:
    """Nobody else can mend it; and it is asked now and then whether somebody has."""
    store.token = "another"
    home.readings(10)
    made = follower(home, store)
    made.start()
    home.until(lambda: made.standing().state == "paused", "the pause")
    home.until(lambda: [each.data["state"] for each in home.said] == ["expected", "paused"], "the alarm")
    assert "token" in home.said[-1].data["do"]
    store.token = ""
    delivered(home, made)
    made.stop()
    assert home.said[-1].data["state"] == "well"


def test_nothing_goes_out_before_the_clock_is_trusted(home: Home, store: StoreStub) -> None:
    """A point under a time of 1970 would never be found again."""
    home.clock.believed = False
    home.clockwork = (Clockwork(0, 0, False),)
    home.readings(10)
    made = follower(home, store)
    made.start()
    home.until(lambda: "wall clock" in made.standing().message, "the wait")
    assert made.standing().ledger.pending == 10
    home.clock.believed = True
    time.sleep(0.3)
    assert store.seen == 0
    shift_ns = 50 * 365 * 86400 * NS
    home.clockwork = (Clockwork(0, shift_ns, True),)
    delivered(home, made)
    made.stop()
    assert store.held == expected(home, Times([Pin(0, shift_ns, 0, True)]))


def test_nothing_goes_out_before_the_past_is_folded(home: Home, store: StoreStub) -> None:
    """Until then nobody knows which run a reading belongs to."""
    home.folded = False
    home.readings(10)
    made = follower(home, store)
    made.start()
    home.until(lambda: "folded" in made.standing().message, "the wait")
    assert store.seen == 0
    home.folded = True
    delivered(home, made)
    made.stop()


def test_it_stops_at_once_while_the_store_hangs(home: Home, store: StoreStub) -> None:
    """The time-out of a request is longer than a stop may take."""
    store.always = HANG
    home.readings(10)
    made = follower(home, store, Pace(timeout_s=20.0))
    made.start()
    home.until(lambda: store.seen, "the write")
    begin_s = time.monotonic()
    made.stop()
    assert time.monotonic() - begin_s < 2.0
    assert not made.alive
    made.stop()


def test_a_journal_that_can_not_be_read_costs_time_only(home: Home, store: StoreStub) -> None:
    """It says so, and goes on when it can."""
    path, away = home.path, home.path.with_name("away")
    made = follower(home, store)
    home.readings(100)
    path.rename(away)
    made.start()
    home.until(lambda: "does not exist" in made.standing().message, "the trouble")
    away.rename(path)
    delivered(home, made)
    made.stop()
    assert store.held == expected(home)
