"""Store and broker are killed, frozen, refuse or misbehave: nothing is lost, and no key is there that
nobody wrote. `tests/bench/outage_bench.py` prints the same as a table, with the longer faults."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.faults import outages
from tests.faults.outages import Result, Scene, frozen, killed, killed_often, scene, stopped
from tests.followers.store.stub import DROP_AFTER, GARBAGE, HANG, Say, StoreStub
from tests.mosquitto import Mosquitto, needs_mosquitto, password_lines
from tests.program import until
from tests.servers import Influx, VictoriaMetrics, needs_influx, needs_victoria

MOST_GROWN_MB = 25.0
"""A batch and its answer come and go; what waits, waits in the journal."""
REAL = [
    pytest.param("victoria", marks=needs_victoria),
    pytest.param("influx", marks=needs_influx),
]
pytestmark = pytest.mark.timeout(180)


def whole(result: Result) -> None:
    assert (result.lost, result.strange, result.balanced) == (0, 0, True), result
    assert result.grown_mb < MOST_GROWN_MB, result


@pytest.fixture
def at_store(tmp_path: Path, request: pytest.FixtureRequest) -> Iterator[Scene]:
    with scene(tmp_path, store=request.param) as made:
        yield made


@pytest.fixture
def at_broker(tmp_path: Path) -> Iterator[Scene]:
    with scene(tmp_path, broker=True) as made:
        yield made


def store_of(at: Scene) -> VictoriaMetrics | Influx:
    assert isinstance(at.store, (VictoriaMetrics, Influx))
    return at.store


# ---------------------------------------------------------------------- the store


@pytest.mark.parametrize("at_store", REAL, indirect=True)
def test_a_store_that_is_killed_has_everything_afterwards(at_store: Scene) -> None:
    """Also what it had acknowledged and not put down."""
    whole(at_store.run_through(killed(store_of(at_store), 2.0)))


@pytest.mark.full
@pytest.mark.parametrize("at_store", REAL, indirect=True)
def test_a_store_that_is_killed_while_it_catches_up_has_everything(at_store: Scene) -> None:
    whole(at_store.run_through(killed_often(store_of(at_store), 5), 120.0))


@pytest.mark.full
@pytest.mark.parametrize("at_store", REAL, indirect=True)
def test_a_store_that_hangs_for_twenty_seconds_has_everything(at_store: Scene) -> None:
    whole(at_store.run_through(frozen(store_of(at_store), 20.0), 120.0))


@pytest.mark.full
@pytest.mark.parametrize("at_store", REAL, indirect=True)
def test_a_store_that_refuses_for_twenty_seconds_has_everything(at_store: Scene) -> None:
    whole(at_store.run_through(stopped(store_of(at_store), 20.0), 120.0))


@pytest.mark.full
@needs_influx
@pytest.mark.parametrize("at_store", ["influx"], indirect=True)
def test_an_engine_that_is_killed_behind_its_door_has_everything(at_store: Scene) -> None:
    """The door answers 502 meanwhile."""
    store = store_of(at_store)
    assert isinstance(store, Influx)
    whole(at_store.run_through(killed(store.engine, 5.0)))


POISON = "channel=concentrate"


def answers(*told: Say | str) -> Callable[[StoreStub], None]:
    return lambda stub: stub.answers.extend(told)


STRANGE: dict[str, Callable[[StoreStub], None]] = {
    "503 three times": answers(*[Say(503, '{"message":"busy"}')] * 3),
    "429 with a time": answers(Say(429, "", (("Retry-After", "1"),))),
    "taken, and hung up on": answers(DROP_AFTER, DROP_AFTER),
    "no HTTP": answers(GARBAGE),
    "too large": lambda stub: setattr(stub, "most_lines", 40),
}


@pytest.mark.parametrize("at_store", ["stub"], indirect=True)
def test_whatever_a_store_answers_it_has_everything(at_store: Scene) -> None:
    """One after the other, since what counts is that none of them harms what comes after."""
    stub = at_store.store
    assert isinstance(stub, StoreStub)

    def fault() -> None:
        for misbehave in STRANGE.values():
            misbehave(stub)
            until(lambda: not stub.answers, "the answers being used up", 20.0)
            time.sleep(0.3)

    whole(at_store.run_through(fault))


@pytest.mark.full
@pytest.mark.parametrize("at_store", ["stub"], indirect=True)
def test_a_store_that_takes_a_request_and_never_answers_has_everything(at_store: Scene) -> None:
    stub = at_store.store
    assert isinstance(stub, StoreStub)
    whole(at_store.run_through(lambda: answers(HANG)(stub)))


@pytest.mark.parametrize("at_store", ["stub"], indirect=True)
def test_points_that_it_will_never_take_are_set_aside_and_the_rest_is_there(at_store: Scene) -> None:
    """Each counted and kept with the store's words; what is missing is exactly these."""
    stub = at_store.store
    assert isinstance(stub, StoreStub)

    def poisoned(line: str) -> bool:
        """About every tenth reading of one channel, the same whenever it is asked."""
        return POISON in line and line.startswith("reading") and line.endswith("7")

    stub.poison = poisoned
    result = at_store.run_through(lambda: time.sleep(3.0))
    count = outages.set_aside(at_store, poisoned)
    assert count > 0, "no reading was poisoned"
    assert (result.lost, result.strange, result.balanced) == (count, 0, True)


@needs_influx
@pytest.mark.parametrize("at_store", ["influx"], indirect=True)
def test_a_wrong_token_is_an_alarm_at_once_and_nothing_is_lost(at_store: Scene) -> None:
    """The daemon does not hammer: it is told the right one and started again."""
    token, right = at_store.home / "token", (at_store.home / "token").read_text()
    at_store.end()
    token.write_text("no-token-of-theirs")
    at_store.begin()
    until(lambda: at_store.alarm("store-behind/store") == "unacknowledged", "the alarm", 15.0)
    assert "no-token-of-theirs" not in Path(at_store.configuration.parent / "serve.log").read_text()
    at_store.end()
    token.write_text(right)
    at_store.begin()
    whole(at_store.run_through(lambda: None))


# ---------------------------------------------------------------------- the broker


@needs_mosquitto
def test_a_broker_that_is_killed_has_told_every_event(at_broker: Scene) -> None:
    assert at_broker.broker is not None
    whole(at_broker.run_through(lambda: busy(at_broker, killed(server(at_broker), 2.0))))


@pytest.mark.full
@needs_mosquitto
@pytest.mark.parametrize("how", [stopped, frozen])
def test_a_broker_that_is_away_for_twenty_seconds_has_told_every_event(
    at_broker: Scene, how: Callable[[Mosquitto, float], Callable[[], None]]
) -> None:
    whole(at_broker.run_through(lambda: busy(at_broker, how(server(at_broker), 20.0)), 120.0))


@needs_mosquitto
def test_a_wrong_password_is_an_alarm_at_once_and_no_event_is_lost(tmp_path: Path) -> None:
    """The word is put right; the daemon is started again."""
    lines = password_lines(tmp_path, {"bay": "the-word", "office": "o"})
    (tmp_path / "password").write_text("the-word")
    more = f'user = "bay"\npassword = "file:{tmp_path}/password"\n'
    with scene(tmp_path, broker=True, lines=lines, listener=("office", "o"), more=more) as at:
        at.all_delivered(20.0)
        at.end()
        (tmp_path / "password").write_text("another")
        at.begin()
        until(lambda: at.alarm("broker-behind/broker") == "unacknowledged", "the alarm", 15.0)
        say(at, "nobody hears this yet")
        at.end()
        (tmp_path / "password").write_text("the-word")
        at.begin()
        whole(at.run_through(lambda: None))


def server(at: Scene) -> Mosquitto:
    assert at.broker is not None
    return at.broker


def say(at: Scene, text: str) -> None:
    assert at.client is not None
    assert at.client.submit({"action": "note", "text": text}).accepted


def busy(at: Scene, fault: Callable[[], None]) -> None:
    """Say something before, during and after, so that there are events at every moment of the fault."""
    say(at, "before")
    fault()
    say(at, "after")


@pytest.mark.full
@needs_mosquitto
@needs_influx
def test_both_away_at_once_and_the_daemon_killed_meanwhile(tmp_path: Path) -> None:
    with scene(tmp_path, store="influx", broker=True) as at:

        def fault() -> None:
            store_of(at).kill()
            server(at).kill()
            time.sleep(3.0)
            assert at.daemon is not None
            at.daemon.kill()
            at.begin()
            time.sleep(3.0)
            store_of(at).start()
            server(at).start()

        result = at.run_through(fault, 120.0)
        assert (result.lost, result.strange, result.balanced) == (0, 0, True), result
