"""The servers of the tests do what is taken of them; asked with the client library that the daemon uses."""

from __future__ import annotations

import time
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest
from influxdb_client import InfluxDBClient
from influxdb_client.client.write_api import SYNCHRONOUS
from influxdb_client.rest import ApiException
from urllib3.exceptions import HTTPError

from tests.mosquitto import (
    Certificates,
    Mosquitto,
    Talker,
    needs_mosquitto,
    needs_openssl,
    password_lines,
    until,
)
from tests.program import Program
from tests.servers import (
    STORES,
    TOKEN,
    Influx,
    Key,
    VictoriaMetrics,
    WithDelete,
    delete_in_influxql,
    needs_influx,
    needs_victoria,
    running_store,
    until_held,
)

AT_NS = 1_780_000_000_000_000_000
Store = VictoriaMetrics | Influx | WithDelete


def write(store: Store, *lines: str, token: str = TOKEN, bucket: str = "tallydeck") -> None:
    with (
        InfluxDBClient(store.url, token, "", timeout=2000, enable_gzip=True, retries=False) as client,
        client.write_api(write_options=SYNCHRONOUS) as api,
    ):
        api.write(bucket, "", list(lines))


def line(number: int, **tags: str) -> str:
    named = "".join(f",{name}={value}" for name, value in tags.items())
    return f"reading{named} kg={number}.5,stable=true {AT_NS + number * 1_000_000}"


@pytest.fixture
def store(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Store]:
    with running_store(request.param, tmp_path) as made:
        yield made


@pytest.mark.parametrize("store", STORES, indirect=True)
def test_what_is_written_is_read_back_and_twice_is_once(store: Store) -> None:
    for _ in range(2):
        write(store, line(1, bay="a", run="r-1"), line(2, bay="a", run="none"), line(3, bay="b", run="none"))
    held = until_held(store, 2, bay="a")
    assert held == {
        Key("reading", (("bay", "a"), ("run", "r-1")), AT_NS + 1_000_000): {"kg": 1.5, "stable": 1},
        Key("reading", (("bay", "a"), ("run", "none")), AT_NS + 2_000_000): {"kg": 2.5, "stable": 1},
    }


@needs_influx
def test_the_engine_keeps_nanoseconds_strings_and_the_last_write(tmp_path: Path) -> None:
    with Influx(tmp_path) as store:
        write(store, f'alarm,bay=a state="on",standing=1i {AT_NS + 7}')
        write(store, f'alarm,bay=a state="off" {AT_NS + 7}')
        assert store.held() == {Key("alarm", (("bay", "a"),), AT_NS + 7): {"state": "off", "standing": 1}}


@needs_influx
@pytest.mark.parametrize(
    ("lines", "token", "bucket", "status"),
    [
        (["reading,bay=a kg= 1"], TOKEN, "tallydeck", 400),
        ([f"reading,bay=a kg=1 {AT_NS}", f'reading,bay=a kg="x" {AT_NS + 1}'], TOKEN, "tallydeck", 400),
        (["reading,bay=a kg=1"], "wrong", "tallydeck", 401),
        (["reading,bay=a kg=1"], TOKEN, "no-such-bucket", 401),
    ],
)
def test_the_engine_refuses_with_its_own_status(
    tmp_path: Path, lines: list[str], token: str, bucket: str, status: int
) -> None:
    """A bucket that no token was made out for is refused at the door."""
    with Influx(tmp_path) as store, pytest.raises(ApiException) as refused:
        write(store, *lines, token=token, bucket=bucket)
    assert refused.value.status == status


@needs_influx
def test_a_bucket_that_was_dropped_is_not_found(tmp_path: Path) -> None:
    with Influx(tmp_path) as store:
        store.query('DROP DATABASE "tallydeck"')
        with pytest.raises(ApiException) as refused:
            write(store, line(1, bay="a"))
    assert refused.value.status == 404


@needs_influx
def test_without_a_delete_of_its_own_the_door_says_not_found(tmp_path: Path) -> None:
    with Influx(tmp_path) as store, InfluxDBClient(store.url, TOKEN, "") as client:
        with pytest.raises(ApiException) as refused:
            client.delete_api().delete(_at(0), _at(1), 'bay="a"', "tallydeck", "")
        assert refused.value.status == 404


@needs_influx
def test_a_delete_takes_out_what_it_names_and_nothing_else(tmp_path: Path) -> None:
    """By tags, hostile ones too, by measurement, and by times with both ends included."""
    kept = [line(0, run="r-1"), line(3, run="r-1"), line(1, run="r-2"), line(2, run="it's")]
    with Influx(tmp_path) as influx, WithDelete(influx) as store:
        write(store, *kept, f"tally,run=r-1 kg=1 {AT_NS + 1_000_000}", line(1, run="r-1"), line(2, run="r-1"))
        before = store.held()
        with InfluxDBClient(store.url, TOKEN, "") as client:
            client.delete_api().delete(
                _at(1), _at(2), '_measurement="reading" AND run="r-1"', "tallydeck", ""
            )
        after = store.held()
        assert before.keys() - after.keys() == {
            Key("reading", (("run", "r-1"),), AT_NS + ms * 1_000_000) for ms in (1, 2)
        }
        with InfluxDBClient(store.url, TOKEN, "") as client:
            client.delete_api().delete(_at(0), _at(9), 'run="it\'s"', "tallydeck", "")
        assert len(store.held()) == len(after) - 1
        assert [asked["predicate"] for asked in store.deletes][1] == 'run="it\'s"'


def _at(ms: int) -> datetime:
    return datetime.fromtimestamp((AT_NS // 1_000_000 + ms) / 1000, UTC)


def test_a_predicate_is_translated_with_its_quotes() -> None:
    asked = {"start": "S", "stop": "E", "predicate": r'_measurement="tally" AND lot="a \"b\" c"'}
    assert delete_in_influxql(asked) == (
        "DELETE FROM \"tally\" WHERE \"lot\" = 'a \"b\" c' AND time >= 'S' AND time <= 'E'"
    )


@pytest.mark.parametrize("store", STORES, indirect=True)
def test_after_a_kill_it_starts_again_where_it_was_and_takes_more(store: Store) -> None:
    """The engine has all that it acknowledged; the other one may lose the last seconds."""
    real = store.influx if isinstance(store, WithDelete) else store
    write(store, line(1, bay="a"))
    real.kill()
    with pytest.raises((HTTPError, ApiException)):
        write(store, line(2, bay="a"))
    real.start()
    write(store, line(3, bay="a"))
    held = until_held(store, 1, bay="a")
    assert AT_NS + 3_000_000 in {key.at_ns for key in held}
    assert isinstance(real, VictoriaMetrics) or len(held) == 2


@pytest.mark.parametrize(
    "store",
    [pytest.param("victoria", marks=needs_victoria), pytest.param("influx", marks=needs_influx)],
    indirect=True,
)
def test_a_frozen_one_answers_nothing_until_it_is_thawed(store: Influx | VictoriaMetrics) -> None:
    store.freeze()
    began = time.monotonic()
    with pytest.raises(HTTPError):
        write(store, line(1, bay="a"))
    assert time.monotonic() - began >= 2.0
    store.thaw()
    write(store, line(1, bay="a"))
    until_held(store, 1, bay="a")


def test_a_program_that_ends_at_its_start_is_told_with_its_words(tmp_path: Path) -> None:
    """And never waited for."""
    program = Program("sh", ["sh", "-c", "echo no such thing; exit 3"], tmp_path / "log", lambda: False)
    with pytest.raises(AssertionError, match="no such thing"):
        program.start()


@needs_mosquitto
@pytest.mark.parametrize(("persistence", "kept"), [(True, 1), (False, 0)])
def test_a_broker_keeps_what_is_retained_over_a_stop_only_on_disk(
    tmp_path: Path, persistence: bool, kept: int
) -> None:
    with Mosquitto(tmp_path, persistence=persistence) as broker:
        with Talker(broker.port) as talker:
            talker.say("state", "on", retain=True)
        broker.stop()
        broker.start()
        with Talker(broker.port, "state", "end") as talker:
            talker.say("end", "")
            until(lambda: talker.heard and talker.heard[-1].topic == "end", "the end")
            assert len(talker.heard) == kept + 1


@needs_mosquitto
def test_a_killed_broker_forgets_and_a_frozen_one_goes_on(tmp_path: Path) -> None:
    with Mosquitto(tmp_path, persistence=True) as broker:
        with Talker(broker.port) as talker:
            talker.say("state", "on", retain=True)
        broker.kill()
        broker.start()
        with Talker(broker.port, "state", "end") as talker:
            talker.say("end", "1")
            until(lambda: talker.heard, "the end")
            broker.freeze()
            talker._client.publish("end", "2", qos=1)
            broker.thaw()
            until(lambda: len(talker.heard) == 2, "the end again")
            assert [message.payload for message in talker.heard] == [b"1", b"2"]


@needs_mosquitto
def test_only_the_right_password_gets_in_and_only_its_topics_come_through(tmp_path: Path) -> None:
    rights = "user bay\ntopic readwrite hall/#\nuser beacon\ntopic read hall/beacon\n"
    lines = password_lines(tmp_path, {"bay": "b-word", "beacon": "c-word"}, rights)
    with Mosquitto(tmp_path, lines) as broker:
        with pytest.raises(AssertionError, match="connection"):
            Talker(broker.port, user=("bay", "wrong"), patience_s=1.0)
        with (
            Talker(broker.port, "#", user=("beacon", "c-word")) as beacon,
            Talker(broker.port, user=("bay", "b-word")) as bay,
        ):
            bay.say("hall/scale", "1")
            bay.say("elsewhere", "1")
            bay.say("hall/beacon", "off")
            until(lambda: beacon.heard, "the beacon's message")
            assert [message.topic for message in beacon.heard] == ["hall/beacon"]


@needs_mosquitto
@needs_openssl
def test_a_broker_that_asks_for_certificates_takes_only_those_of_its_authority(tmp_path: Path) -> None:
    made = Certificates(tmp_path / "certificates")
    lines = f"allow_anonymous true\n{made.lines(ask_clients=True)}"
    with Mosquitto(tmp_path, lines) as broker:
        with Talker(broker.port, "a", authority=made.authority, certificate=made.client) as talker:
            talker.say("a", "1")
            until(lambda: talker.heard, "the message")
        for certificate in (made.stranger, None):
            with pytest.raises((AssertionError, OSError)):
                Talker(broker.port, authority=made.authority, certificate=certificate, patience_s=1.0)
