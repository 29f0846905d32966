"""Corrections of runs and lots: what the store holds in the end is what the books say, and nothing else."""

from __future__ import annotations

import json
import random
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from logger.core.entries import Finding
from logger.core.tagging import SLOT_NS, Clockwork, Run, Spans, Tag
from logger.core.walltime import rfc3339
from logger.followers.store.follower import StoreFollower
from logger.followers.store.retract import Job, deletes, entries_in, still_wrong
from logger.followers.store.times import Pin, Times
from logger.journal.journal import JournalReader
from tests.followers.store.homes import NS, Home, delivered, expected, follower, readings
from tests.followers.store.stub import HANG, Held, Say, StoreStub


@pytest.fixture
def home(tmp_path: Path) -> Iterator[Home]:
    made = Home(tmp_path)
    yield made
    made.close()


@pytest.fixture(params=["delete", "mark"])
def store(request: pytest.FixtureRequest) -> Iterator[StoreStub]:
    """One that can delete, and one that can't."""
    with StoreStub(can_delete=request.param == "delete") as stub:
        yield stub


@pytest.fixture
def deleting() -> Iterator[StoreStub]:
    with StoreStub() as stub:
        yield stub


def standing(store: StoreStub) -> Held:
    """What the store shows to whoever leaves out what is marked as withdrawn.

    A point that was taken back and is right again still has ``retracted``, as SCHEMA.md says.
    """
    return {
        key: {name: value for name, value in fields.items() if name != "retracted"}
        for key, fields in store.held.items()
        if fields.get("withdrawn") != "1i"
    }


def settled(home: Home, store: StoreStub, made: StoreFollower) -> None:
    """Everything is delivered and what is wrong was taken back."""
    delivered(home, made)

    def right() -> bool:
        with JournalReader(home.path) as reader:
            state = reader.cursor("store.spans")[1]
        return not json.loads(state)["jobs"] and standing(store) == expected(home)

    home.until(right, "what the books say")
    delivered(home, made)


def told(home: Home, event: str, run: str, span: Run | None) -> None:
    """The books change, with the finding as the bay makes it: with the tally of a run that has an end."""
    data: dict[str, Any] = {"run": run}
    if span is not None and span[3] is not None:
        tally = {"run": run, "station": span[0], "end": rfc3339(span[3], digits=9), "feed_kg": 12.5}
        data["tally"] = tally | {"outlets": {"bronze": {"delivered_kg": 1.25}}}
    home.run(event, run, span, data)


def mixed(home: Home, count: int = 200) -> None:
    """Readings, and the findings that come with them while a run is open."""
    home.readings(count)
    at_ns = home.clock.at_ns
    found = []
    for run, (station, _, start_ns, end_ns) in home.runs.items():
        if start_ns <= at_ns and end_ns is None:
            tally = {"run": run, "station": station, "feed_kg": 3.5}
            found.append(Finding(at_ns, "tally", run, 1, tally))
            found.append(Finding(at_ns, "rates", station, 1, {"feed": [100.0, 1.0], "run": run}))
            alarm = {"id": "a", "kind": "outlet", "station": station, "alarm_state": "acknowledged"}
            found.append(Finding(at_ns, "alarm", "a", 1, alarm))
    home.enter(found)
    home.clock.at_ns += NS // 1000


def test_a_run_that_is_opened_now_and_closed_later_rewrites_nothing(home: Home, store: StoreStub) -> None:
    """The usual day: no point is sent twice and nothing is taken back."""
    made = follower(home, store)
    made.start()
    mixed(home)
    for number in range(3):
        delivered(home, made)
        told(home, "opened", f"run-{number}", ("table", "L1", home.clock.at_ns, None))
        mixed(home)
        mixed(home)
        delivered(home, made)
        told(home, "closed", f"run-{number}", (*home.runs[f"run-{number}"][:3], home.clock.at_ns))
        mixed(home)
    settled(home, store, made)
    made.stop()
    counts = made.standing().counts
    assert (counts["put_back"], counts["retractions"], store.deletes) == (0, 0, [])
    assert store.held == expected(home)


@pytest.mark.parametrize("change", ["withdrawn", "lot", "earlier", "later", "ends", "station", "moved"])
def test_a_correction_comes_to_the_store(home: Home, store: StoreStub, change: str) -> None:
    """Each way in which the books may change the past."""
    made = follower(home, store)
    made.start()
    mixed(home, 300)
    begin_ns = home.clock.at_ns
    told(home, "opened", "run-1", ("table", "L1", begin_ns, None))
    for _ in range(3):
        mixed(home, 300)
    delivered(home, made)
    end_ns = home.clock.at_ns
    if change == "withdrawn":
        told(home, "withdrawn", "run-1", None)
    elif change == "lot":
        told(home, "changed", "run-1", ("table", "L2", begin_ns, None))
    elif change == "earlier":
        told(home, "changed", "run-1", ("table", "L1", begin_ns - NS, None))
    elif change == "later":
        told(home, "changed", "run-1", ("table", "L1", begin_ns + NS, None))
    elif change == "ends":
        told(home, "closed", "run-1", ("table", "L1", begin_ns, end_ns - 2 * NS))
    elif change == "station":
        told(home, "changed", "run-1", ("jig", "L1", begin_ns, None))
    else:
        told(home, "closed", "run-1", ("table", "L1", begin_ns, end_ns))
        mixed(home, 100)
        delivered(home, made)
        told(home, "changed", "run-1", ("table", "L1", begin_ns + NS // 2, end_ns - NS))
    mixed(home)
    settled(home, store, made)
    made.stop()
    assert made.standing().counts["retractions"] > 0
    assert standing(store) == expected(home)


def test_a_correction_that_is_taken_back_leaves_the_first_as_it_was(home: Home, store: StoreStub) -> None:
    """Before the store had heard of either, while it was away, or after it was done."""
    made = follower(home, store)
    made.start()
    told(home, "opened", "run-1", ("table", "L1", home.clock.at_ns, None))
    span = home.runs["run-1"]
    mixed(home, 500)
    delivered(home, made)
    for number in range(3):
        if number == 1:
            store.stop()
        told(home, "changed", "run-1", (span[0], "L2", *span[2:]))
        home.until(lambda: made.standing().ledger.known == home.journal.last_seq, "the correction")
        if number == 2:
            settled(home, store, made)
        told(home, "changed", "run-1", span)
        home.until(lambda: made.standing().ledger.known == home.journal.last_seq, "the correction")
        if number == 1:
            store.start()
        settled(home, store, made)
    made.stop()


def test_a_store_that_fails_while_points_are_taken_back(home: Home, store: StoreStub) -> None:
    """Hangs, hangs up, is busy: the job begins anew."""
    made = follower(home, store)
    made.start()
    told(home, "opened", "run-1", ("table", "L1", home.clock.at_ns, None))
    mixed(home, 500)
    delivered(home, made)

    def trouble(lines: list[str]) -> None:
        if not store.answers and made.standing().counts["retries"] < 4:
            store.answers.extend([HANG, Say(503, "", (("Retry-After", "1"),)), Say(500), Say(500)])

    store.took = trouble
    told(home, "withdrawn", "run-1", None)
    settled(home, store, made)
    made.stop()
    assert made.standing().counts["retries"] >= 3


@pytest.mark.parametrize("seed", range(6))
def test_crashes_and_corrections_in_any_order(home: Home, store: StoreStub, seed: int) -> None:
    """Lives of the program end anywhere, and what they wanted kept is lost with them."""
    chance = random.Random(seed)
    made = follower(home, store)
    made.start()
    for number in range(14):
        mixed(home, chance.randrange(20, 120))
        if chance.random() < 0.5:
            delivered(home, made)
        correct(home, chance, number)
        if chance.random() < 0.4:
            home.lost = True
            made.stop()
            home.commit()
            home.lost = False
            made = follower(home, store)
            made.start()
    settled(home, store, made)
    made.stop()
    assert standing(store) == expected(home)


def correct(home: Home, chance: random.Random, number: int) -> None:
    """One change of the books, of any kind, that keeps the runs of a station apart."""
    at_ns = home.clock.at_ns
    back_ns = chance.randrange(1, 3 * NS)
    names = list(home.runs)
    if not names or (chance.random() < 0.4 and all(span[3] is not None for span in home.runs.values())):
        ends = [span[3] or at_ns for span in home.runs.values()]
        start_ns = max([at_ns - back_ns, *ends]) if chance.random() < 0.5 else at_ns
        told(home, "opened", f"run-{number}", ("table", f"L{number % 3}", start_ns, None))
        return
    run = names[-1]
    station, lot, start_ns, end_ns = home.runs[run]
    kind = chance.randrange(4)
    if kind == 0 and end_ns is None:
        told(home, "closed", run, (station, lot, start_ns, max(start_ns + 1, at_ns - back_ns)))
    elif kind == 1:
        told(home, "withdrawn", run, None)
    elif kind == 2:
        told(home, "changed", run, (station, f"L{number}", start_ns, end_ns))
    else:
        latest = (end_ns or at_ns) - 1
        told(home, "changed", run, (station, lot, min(latest, start_ns + back_ns // 2), end_ns))


def test_a_delete_names_a_stretch_to_the_nanosecond() -> None:
    """Slots are whole; each start of the program has its own wall time; quotes are escaped."""
    job = Job("table", 10 * SLOT_NS, 30 * SLOT_NS, Tag('run "1"\\', ""), 1, 9)
    times = Times([Pin(0, 5 * SLOT_NS, 0, True), Pin(20 * SLOT_NS, 10**18, 20 * SLOT_NS, True)])
    found = deletes(job, "bay", times)
    assert [(d.start, d.stop) for d in found[::4]] == [
        ("1970-01-01T00:00:00.000150000Z", "1970-01-01T00:00:00.000249999Z"),
        ("2001-09-09T01:46:40.000200000Z", "2001-09-09T01:46:40.000299999Z"),
    ]
    assert found[0].predicate == (
        '_measurement="reading" AND bay="bay" AND station="table" AND run="run \\"1\\"%5C" AND lot="none"'
    )
    assert [d.predicate.split('"')[1] for d in found[:4]] == ["reading", "rate", "tally", "alarm"]


def test_a_part_of_a_job_that_is_right_again_is_dropped() -> None:
    """Else right points would be deleted."""
    job = Job("table", 0, 100 * SLOT_NS, Tag("run-1", "L1"), 1, 9)
    spans = Spans({"run-1": ("table", "L1", 20 * SLOT_NS, 50 * SLOT_NS), "run-2": ("jig", "L1", 0, None)})
    left = still_wrong([job], spans)
    assert [(each.from_ns, each.to_ns) for each in left] == [(0, 20 * SLOT_NS), (50 * SLOT_NS, 100 * SLOT_NS)]
    assert still_wrong([job], Spans({"run-1": ("table", "L1", 0, None)})) == []


@pytest.mark.parametrize("seed", range(8))
def test_the_entries_of_a_stretch_are_found_out_of_order_too(home: Home, seed: int) -> None:
    """A loop that stood still numbers readings behind what it stamped itself; against a plain search."""
    chance = random.Random(seed)
    given = list(readings(home.clock.at_ns, 4000, NS // 20))
    for _ in range(10):
        number = chance.randrange(len(given) - 100)
        given.insert(number, given[number + 90]._replace(channel="bench"))
    home.enter(given)
    with JournalReader(home.path) as reader:
        for _ in range(10):
            from_ns = given[0].at_ns + chance.randrange(-10, 210) * NS
            to_ns = from_ns + chance.choice([1, NS, 30 * NS, 500 * NS])
            inside = [i + 1 for i, each in enumerate(given) if from_ns <= each.at_ns < to_ns]
            first, last = entries_in(reader, from_ns, to_ns)
            assert (first, last) == ((inside[0], inside[-1]) if inside else (1, 0))


def test_a_clock_that_is_set_later_moves_no_point(home: Home, deleting: StoreStub) -> None:
    """What was sent under one wall time is sent again, and taken back, under the same."""
    home.clockwork = (Clockwork(0, 50 * NS, True),)
    made = follower(home, deleting)
    made.start()
    told(home, "opened", "run-1", ("table", "L1", home.clock.at_ns, None))
    mixed(home, 300)
    delivered(home, made)
    home.clockwork = (Clockwork(0, 80 * NS, True),)
    told(home, "changed", "run-1", ("table", "L2", *home.runs["run-1"][2:]))
    gone = re.compile("(reading|rate|tally|alarm),.*lot=L1")
    home.until(lambda: not any(gone.match(series) for series, _ in deleting.held), "the retraction")
    delivered(home, made)
    made.stop()
    home.commit()
    with JournalReader(home.path) as reader:
        times = Times.from_json(json.loads(reader.cursor("store.spans")[1])["times"])
    assert [pin.shift_ns for pin in times.pins] == [50 * NS, 80 * NS]
    assert deleting.held == expected(home, times)
