"""A whole daemon beside a real broker: readings come in by MQTT, actions too, and are answered there."""

from __future__ import annotations

import contextlib
import logging
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from logger.app import Daemon, read_address
from logger.commands.check import probe_ports
from logger.core.entries import Action, Garbage, Reading
from logger.journal.journal import JournalReader
from logger.settings import loads
from tests.mosquitto import Mosquitto, Talker, needs_mosquitto, until

pytestmark = needs_mosquitto

CONFIGURATION = """
[bay]
name = "Foundry bay"
[instruments.concentrate]
resolution = "5 g"
dialect = "mqtt"
unit = "kg"
mqtt = {{ topic = "bay/concentrate" }}
[stations.table]
outlets = ["concentrate"]
[board]
port = 0
[journal]
directory = "{home}/journal"
[mqtt]
host = "127.0.0.1"
port = {port}
actions = {actions}
"""
ACT, ANSWER = "tallydeck/foundry-bay/act", "tallydeck/foundry-bay/answer"


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    with Mosquitto(tmp_path) as made:
        yield made


@contextlib.contextmanager
def daemon_at(broker: Mosquitto, home: Path, actions: str = "true") -> Iterator[Daemon]:
    text = CONFIGURATION.format(home=home, port=broker.port, actions=actions)
    daemon = Daemon(loads(text, env={"HOME": str(home)}))
    daemon.start()
    try:
        yield daemon
    finally:
        daemon.stop()


def await_ear(daemon: Daemon) -> None:
    until(lambda: daemon.by_mqtt is not None and daemon.by_mqtt.listening, "the daemon's ear")


def records(daemon: Daemon) -> list[Any]:
    with JournalReader(daemon.journal_path) as reader:
        return list(reader.read())


def test_a_reading_by_mqtt_reaches_the_journal_and_the_board(broker: Mosquitto, tmp_path: Path) -> None:
    with daemon_at(broker, tmp_path) as daemon, Talker(broker.port) as talker:
        until(lambda: daemon.ports[0].health().link == "up", "the link")
        talker.say("bay/concentrate", "1.250")
        talker.say("bay/concentrate", "much")
        (shown,) = until(
            lambda: [each for each in daemon.loop.snapshot()["instruments"] if each["age_s"] is not None],
            "the reading on the board",
        )
        assert shown["name"] == "concentrate"
    kept = [each for each in records(daemon) if isinstance(each, Reading | Garbage)]
    assert (kept[0].number, kept[0].exp, kept[0].unit) == (1250, -3, "kg")
    assert (kept[1].raw, kept[1].reason) == (b"much", "bad-number")


def test_an_action_by_mqtt_is_the_same_entry_as_by_http(broker: Mosquitto, tmp_path: Path) -> None:
    note = '{"action": "note", "text": "tilt a touch steeper"}'
    with daemon_at(broker, tmp_path) as daemon, Talker(broker.port, "reply/here") as talker:
        await_ear(daemon)
        by_http = _by_http(daemon, note)
        talker.say(ACT, note, answer_to="reply/here", mark=b"7")
        message, answer = talker.next_answer()
        assert message.properties is not None
        assert message.properties.CorrelationData == b"7"
        assert (answer["accepted"], answer["recorded"], answer["reason"]) == (True, True, "")
    http, mqtt = (each for each in records(daemon) if isinstance(each, Action))
    assert (http.body, http.id) == (mqtt.body, mqtt.id)
    assert (http.seq, mqtt.seq) == (by_http["seq"], answer["seq"])
    assert mqtt.who == "mqtt"


def test_faults_and_refusals_are_answered_in_the_words_of_the_api(broker: Mosquitto, tmp_path: Path) -> None:
    bodies = [
        '{"action": "note"}',
        '{"action": "start-run", "lot": "no such lot", "id": "x-1"}',
        "not json",
        "[]",
    ]
    with daemon_at(broker, tmp_path) as daemon, Talker(broker.port, ANSWER, version=3) as talker:
        await_ear(daemon)
        said = []
        for body in bodies:
            talker.say(ACT, body)
            said.append(talker.next_answer()[1])
        heard = [_by_http(daemon, body) for body in bodies]
    assert [each["status"] for each in said] == [422, 409, 422, 422]
    assert said[1].pop("id") == "x-1"
    for one in (*said, *heard):  # their own seq apart
        one.get("answer", {}).pop("seq", None)
    assert said == heard


def _by_http(daemon: Daemon, body: str) -> dict[str, Any]:
    import httpx

    address = read_address(daemon.directory)
    head = {"Authorization": f"Bearer {address.token}", "Content-Type": "application/json"}
    return httpx.post(f"{address.url.rstrip('/')}/api/v1/actions", content=body, headers=head).json()


def test_an_action_sent_twice_is_taken_once(broker: Mosquitto, tmp_path: Path) -> None:
    body = '{"action": "open-lot", "lot": "L1", "id": "one"}'
    with daemon_at(broker, tmp_path) as daemon, Talker(broker.port, ANSWER) as talker:
        await_ear(daemon)
        answers = []
        for _ in range(2):
            talker.say(ACT, body)
            answers.append(talker.next_answer()[1])
        assert [each["repeated"] for each in answers] == [False, True]
        assert [each["id"] for each in answers] == ["one", "one"]
        assert len(daemon.loop.lots()) == 1


def test_a_retained_action_is_refused_and_never_taken(
    broker: Mosquitto, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    with Talker(broker.port, ANSWER) as talker:
        talker.say(ACT, '{"action": "open-lot", "lot": "L1"}', retain=True)
        with caplog.at_level(logging.WARNING), daemon_at(broker, tmp_path) as daemon:
            _, answer = talker.next_answer()
            assert answer["code"] == "retained"
            assert daemon.loop.lots() == []


def test_no_answer_goes_where_instruments_are_read_or_actions_taken(
    broker: Mosquitto, tmp_path: Path
) -> None:
    with daemon_at(broker, tmp_path) as daemon, Talker(broker.port, ANSWER) as talker:
        await_ear(daemon)
        for place in ("bay/concentrate", ACT):
            talker.say(ACT, '{"action": "note", "text": "x"}', answer_to=place)
            assert talker.next_answer()[1]["accepted"]
    assert [each for each in records(daemon) if isinstance(each, Garbage)] == []
    assert sum(isinstance(each, Action) for each in records(daemon)) == 2


def test_without_leave_no_action_is_taken(broker: Mosquitto, tmp_path: Path) -> None:
    with daemon_at(broker, tmp_path, "false") as daemon, Talker(broker.port) as talker:
        until(lambda: daemon.ports[0].health().link == "up", "the link")
        talker.say(ACT, '{"action": "open-lot", "lot": "L1"}')
        talker.say("bay/concentrate", "1")
        until(lambda: daemon.ports[0].health().frames, "a later message")
        assert daemon.loop.lots() == []


def test_checking_beside_a_running_daemon_takes_nothing_from_it(broker: Mosquitto, tmp_path: Path) -> None:
    with daemon_at(broker, tmp_path) as daemon, Talker(broker.port) as talker:
        until(lambda: daemon.ports[0].health().link == "up", "the link")
        found, _ = probe_ports(daemon.configuration, 0.3)
        assert not found["alive"]
        talker.say("bay/concentrate", "1")
        until(lambda: daemon.ports[0].health().frames, "a reading")
        assert daemon.ports[0].health().opened == 1
