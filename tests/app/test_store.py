"""The daemon with a simulated bay, and what comes to a store: to a stub, and to real engines."""

from __future__ import annotations

import contextlib
import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from logger.app import Daemon
from logger.commands.demo import demo_daemon
from logger.core.tagging import Spans
from logger.followers.ranges import Ranges
from logger.followers.store.places import places_of
from logger.followers.store.points import Meaning
from logger.followers.store.times import Times
from logger.journal.journal import JournalReader
from logger.settings.secret import Secret
from logger.settings.values import StoreSettings
from logger.simulator.demo import DemoBay
from tests.app.bays import running_bay, until
from tests.followers.store.stub import StoreStub, parsed, tags
from tests.servers import STORES, Key, VictoriaMetrics, running_store

Points = dict[Key, dict[str, Any]]


@contextlib.contextmanager
def sending(bay: DemoBay, home: Path, store: Any) -> Iterator[Daemon]:
    """A daemon that sends to that store."""
    daemon = demo_daemon(bay, home / "journal", 0, bay.speed, lambda found: None)
    token = Secret(store.token) if getattr(store, "token", "") else None
    told = StoreSettings(store.url, "", "tallydeck", token)
    daemon.configuration = replace(daemon.configuration, store=told)
    daemon.start()
    try:
        yield daemon
    finally:
        daemon.stop()


def delivered(daemon: Daemon, runs: dict[str, Any]) -> Points:
    """Every point of the entries that were delivered, as the books stand."""
    with JournalReader(daemon.journal_path) as reader:
        bay = daemon.configuration.bay
        meaning = Meaning(bay.name, Spans(runs), places_of(reader, bay), Times())
        told = json.loads(reader.cursor("store")[1])
        waiting = Ranges((first, last) for first, last in told["pending"])
        records = [r for r in reader.read(0, told["known"]) if waiting.add(r.seq, r.seq)]
        lines = meaning.lines(records)
    points: Points = {}
    for line in lines:
        series, fields, at_ns = parsed(line.text)
        points.setdefault(_key(series, at_ns), {}).update(_values(fields))
    return points


def _key(series: str, at_ns: int) -> Key:
    named = tags(series)
    return Key(named.pop(""), tuple(sorted(named.items())), at_ns)


def _values(fields: dict[str, str]) -> dict[str, Any]:
    return {name: _value(told) for name, told in fields.items()}


def _value(told: str) -> Any:
    if told.startswith('"'):
        return told[1:-1].replace('\\"', '"').replace("\\\\", "\\")
    return told == "true" if told in ("true", "false") else float(told.removesuffix("i"))


def as_numbers(points: Points) -> dict[Key, dict[str, set[float]]]:
    """As a store of numbers and milliseconds shows them, to twelve digits; of two values of one millisecond
    it keeps either."""
    shown: dict[Key, dict[str, set[float]]] = {}
    for key, fields in points.items():
        for name, value in fields.items():
            if not isinstance(value, str):
                of = shown.setdefault(key._replace(at_ns=key.at_ns // 10**6 * 10**6), {})
                of.setdefault(name, set()).add(float(f"{float(value):.12g}"))
    return shown


def shown(store: Any) -> Points:
    """What a store shows to whoever leaves out what is marked. In a store of metrics the newer of two values
    of one moment need not win, so that what is withdrawn there is what has ``retracted``."""
    mark = "retracted" if isinstance(store, VictoriaMetrics) else "withdrawn"
    return {key: fields for key, fields in store.held().items() if fields.get(mark) != 1}


def difference(store: Any, sent: Points) -> list[Any]:
    """Points that only one side has, or has otherwise."""
    held: Any = shown(store)
    right: Any = sent
    if isinstance(store, VictoriaMetrics):
        texts = {name for fields in sent.values() for name, value in fields.items() if isinstance(value, str)}
        right = as_numbers(sent)
        held = as_numbers(
            {key: {n: v for n, v in fields.items() if n not in texts} for key, fields in held.items()}
        )
        for key, fields in held.items():
            may = right.get(key, {})
            if fields.keys() == may.keys() and all(fields[name] <= may[name] for name in fields):
                right[key] = fields
    either = held.keys() | right.keys()
    return [(key, held.get(key), right.get(key)) for key in either if held.get(key) != right.get(key)]


def settled(daemon: Daemon) -> None:
    """Nothing is to be sent, and nothing to be taken back."""
    follower = daemon.followers[0]

    def done() -> bool:
        with JournalReader(daemon.journal_path) as reader:
            jobs = reader.cursor("store.spans")[1]
            last = reader.last_seq
        ledger = follower.standing().ledger
        return '"jobs": []' in jobs and ledger.pending == 0 and ledger.known >= last - 50

    until(done, 40.0, f"the delivery ({follower.standing()})")


def worked(daemon: Daemon) -> None:
    """A run is begun."""
    submit = daemon.loop.submit
    assert submit({"action": "open-lot", "lot": "L1", "material": "sweepings"}, "test").accepted
    assert submit({"action": "open-lot", "lot": "L 2", "material": "sweepings"}, "test").accepted
    assert submit({"action": "start-run", "lot": "L1"}, "test").accepted


def test_a_day_at_the_bay_comes_to_the_store(tmp_path: Path) -> None:
    """What a daemon records of a simulated bay: the very points, each once, and the ledger balances."""
    with StoreStub() as store, running_bay(tmp_path) as bay, sending(bay, tmp_path, store) as daemon:
        until(lambda: store.lines > 100, what="the first points")
        worked(daemon)
        until(lambda: any("tally," in series for series, _ in store.held), 40.0, "a tally")
        assert daemon.loop.submit({"action": "end-run"}, "test").accepted
        until(lambda: any("feed_kg" in fields for fields in store.held.values()), what="the run's tally")
        settled(daemon)
        counts = daemon.followers[0].standing().counts
        runs = dict(daemon.loop.tagging().runs)
        daemon.followers[0].stop()
        ledger = daemon.followers[0].standing().ledger
    assert ledger.balanced
    assert (counts["put_back"], counts["retractions"], counts["retries"], ledger.aside) == (0, 0, 0, 0)
    held = {_key(series, at_ns): _values(fields) for (series, at_ns), fields in store.held.items()}
    assert held == delivered(daemon, runs)
    assert {key.measurement for key in held} >= {"reading", "rate", "tally", "run"}
    assert store.lines == counts["points"] == len(held)


@pytest.mark.parametrize("kind", STORES)
@pytest.mark.timeout(180)
def test_a_killed_engine_and_a_corrected_run_leave_what_the_books_say(kind: str, tmp_path: Path) -> None:
    """Two lives of the daemon, a kill of the store, and a lot that was told wrong: both sides are equal."""
    with running_store(kind, tmp_path / "store") as store, running_bay(tmp_path) as bay:
        with sending(bay, tmp_path, store) as daemon:
            follower = daemon.followers[0]
            worked(daemon)
            until(lambda: follower.standing().counts["points"] > 300, 30.0, "points")
            engine = getattr(store, "influx", store)
            engine.kill()
            until(lambda: follower.standing().state == "retrying", 30.0, "the trouble")
            engine.start()
            until(lambda: follower.standing().state == "live", 60.0, "the recovery")
            said = {"action": "amend", "entry": daemon.loop.runs()[0]["entry"], "change": {"lot": "L 2"}}
            answer = daemon.loop.submit(said, "test")
            assert answer.accepted, answer
            until(lambda: follower.standing().counts["retractions"] > 0, 30.0, "the retraction")
            settled(daemon)
        with sending(bay, tmp_path, store) as daemon:
            until(lambda: daemon.followers[0].standing().state == "live", 60.0, "the second life")
            settled(daemon)
            runs = dict(daemon.loop.tagging().runs)
        sent = delivered(daemon, runs)
        assert any(("lot", "L 2") in key.tags for key in sent)
        until(
            lambda: not difference(store, sent),
            40.0,
            f"equality ({difference(store, sent)[:3]})",
        )
