"""The daemon's own word at the broker: online and offline, acknowledgements, limits, a link that is dead."""

from __future__ import annotations

import contextlib
import socket
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from paho.mqtt.client import Client, MQTTMessageInfo

from logger.ports.broker import Broker
from logger.ports.session import MOST_IN_FLIGHT, Message, Session
from logger.settings import MqttSettings, Secret
from tests.mosquitto import Mosquitto, Talker, needs_mosquitto, password_lines, until

pytestmark = needs_mosquitto
STATUS = "bay/status"
SOON = (0.02, 0.05)


class Speaker:
    """Reads nothing; hears how the connection stands."""

    topic = ""

    def __init__(self) -> None:
        self.links: list[str] = []

    def linked(self, why: str) -> None:
        self.links.append(why)

    def message(self, message: Message) -> None:
        raise AssertionError("it reads nothing")

    def look(self) -> None:
        """Nothing to do."""

    @property
    def up(self) -> bool:
        return bool(self.links) and self.links[-1] == ""


@contextlib.contextmanager
def speaking(port: int, status: str = STATUS, **told: object) -> Iterator[tuple[Broker, Speaker]]:
    broker, speaker = Broker(MqttSettings("127.0.0.1", port, **told), reopen_s=SOON, status=status), Speaker()
    broker.join(speaker)
    until(lambda: speaker.up, "the connection")
    try:
        yield broker, speaker
    finally:
        broker.leave(speaker)


@pytest.fixture
def server(tmp_path: Path) -> Iterator[Mosquitto]:
    with Mosquitto(tmp_path) as made:
        yield made


def said(ear: Talker) -> list[str]:
    return [m.payload.decode() for m in list(ear.heard) if m.topic == STATUS]


def test_it_says_when_it_comes_and_when_it_goes(server: Mosquitto) -> None:
    with Talker(server.port, STATUS) as ear:
        with speaking(server.port):
            until(lambda: said(ear) == ["online"], "the word that it is there")
        until(lambda: said(ear) == ["online", "offline"], "the farewell")
    with Talker(server.port, STATUS) as late:
        until(lambda: said(late) == ["offline"], "what is retained")


def test_the_broker_says_it_for_one_that_is_cut_off(server: Mosquitto) -> None:
    with Talker(server.port, STATUS) as ear, speaking(server.port) as (broker, _):
        until(lambda: said(ear) == ["online"], "the word that it is there")
        link = broker._session._client.socket()
        link.shutdown(socket.SHUT_RDWR)
        until(lambda: said(ear) == ["online", "offline", "online"], "the will, and the next connection")


def test_one_without_a_status_says_nothing_and_leaves_no_word(server: Mosquitto) -> None:
    with Talker(server.port, "#") as ear:
        with speaking(server.port, status=""):
            pass
        ear.say("end", "x")
        until(lambda: [m.topic for m in ear.heard] == ["end"], "nothing but the end")
    assert "Will message specified (" not in server.log


def test_a_broker_that_is_frozen_does_not_hold_up_the_end(server: Mosquitto) -> None:
    with contextlib.ExitStack() as stack:
        stack.enter_context(speaking(server.port))
        server.freeze()
        begin_s = time.monotonic()
        stack.close()
        assert time.monotonic() - begin_s < 3.0
    server.thaw()


@pytest.mark.parametrize("version", [5, 4])
def test_each_message_is_told_to_be_taken(
    server: Mosquitto, version: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("logger.ports.broker.V5", {5: 5, 4: 4}[version])
    codes: list[int] = []
    with Talker(server.port, "bay/x") as ear, speaking(server.port) as (broker, _):
        for number in range(10):
            until(lambda n=number: broker.publish("bay/x", str(n), taken=codes.append), "room")
        until(lambda: codes == [0] * 10, "ten acknowledgements")
        until(lambda: [m.payload for m in ear.heard] == [str(n).encode() for n in range(10)], "ten messages")


def test_what_is_retained_is_there_for_who_comes_later(server: Mosquitto) -> None:
    done = threading.Event()
    with speaking(server.port) as (broker, _):
        broker.publish("bay/x", "kept", retain=True, taken=lambda code: done.set())
        assert done.wait(5.0)
        with Talker(server.port, "bay/x") as late:
            until(lambda: late.heard, "what is retained")
            assert late.heard[0].retain


def test_a_topic_that_is_not_allowed_is_told_by_its_code(tmp_path: Path) -> None:
    """MQTT 5.0, 3.4.2.1: 135, not authorised; 0 or 16 (nobody listens) for what is."""
    rights = f"user bay\ntopic write {STATUS}\ntopic write bay/open\n"
    lines = password_lines(tmp_path, {"bay": "word"}, rights)
    codes: dict[str, int] = {}
    with (
        Mosquitto(tmp_path, lines) as server,
        speaking(server.port, user="bay", password=Secret("word")) as (broker, _),
    ):
        for topic in ("bay/open", "bay/shut"):
            broker.publish(topic, "x", taken=lambda code, topic=topic: codes.update({topic: code}))
        until(lambda: len(codes) == 2, "both answers")
    assert codes["bay/open"] in (0, 16)
    assert codes["bay/shut"] == 135


def fill(publish: Callable[[], bool]) -> int:
    """How many are taken in before it is full."""
    for number in range(1000):
        if not publish():
            return number
    raise AssertionError("it never is full")


@pytest.mark.parametrize(
    ("allowed", "spare", "room"), [("", 0, 20), ("", 8, 12), ("4", 8, 2), ("500", 0, 100)]
)
def test_no_more_is_on_its_way_than_the_broker_allows_nor_than_a_hundred(
    tmp_path: Path, allowed: str, spare: int, room: int
) -> None:
    lines = "allow_anonymous true" + (f"\nmax_inflight_messages {allowed}" if allowed else "")
    with Mosquitto(tmp_path, lines) as server, speaking(server.port) as (broker, _):
        until(lambda: not broker._session._flying, "the first word taken")
        server.freeze()
        try:
            assert fill(lambda: broker.publish("bay/x", "x", spare=spare)) == room
        finally:
            server.thaw()
        until(lambda: not broker._session._flying, "all taken")
    assert room <= MOST_IN_FLIGHT


def test_a_link_on_which_nothing_is_acknowledged_is_dead(
    server: Mosquitto, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("logger.ports.session.SILENT_S", 0.5)
    monkeypatch.setattr("logger.ports.session.ANSWER_S", 0.5)
    with speaking(server.port) as (broker, speaker):
        until(lambda: not broker._session._flying, "the first word taken")
        server.freeze()
        time.sleep(1.2)  # an idle link is no dead one: nothing was sent that could be acknowledged
        assert speaker.links == [""]
        broker.publish("bay/x", "x")
        until(lambda: "acknowledged nothing" in speaker.links[-1], "the end of the link")
        server.thaw()
        until(lambda: speaker.up, "another connection")


def test_an_acknowledgement_that_comes_before_its_number_is_known_is_not_lost(
    server: Mosquitto, monkeypatch: pytest.MonkeyPatch
) -> None:
    codes: list[int] = []
    sound = Client.publish
    noted = threading.Event()
    heard = Session._on_publish

    def slow(client: Client, *args: object, **told: object) -> MQTTMessageInfo:
        info = sound(client, *args, **told)
        if args and args[0] == "bay/x":
            assert noted.wait(5.0)
        return info

    def note(session: Session, *args: object) -> None:
        heard(session, *args)
        noted.set()

    with speaking(server.port) as (broker, _):
        until(lambda: not broker._session._flying, "the first word taken")
        noted.clear()
        monkeypatch.setattr(Client, "publish", slow)
        broker._session._client.on_publish = lambda *args: note(broker._session, *args)
        assert broker.publish("bay/x", "x", taken=codes.append)
        assert codes in ([0], [16])
        assert not broker._session._flying
        assert not broker._session._early


def test_who_joins_an_open_connection_hears_of_it(server: Mosquitto) -> None:
    with speaking(server.port) as (broker, first):
        second = Speaker()
        broker.join(second)
        assert second.links == [""]
        broker.leave(first)
        assert broker.alive
        broker.leave(second)
        assert not broker.alive
