"""Instruments read by MQTT, against a real broker: found, lost, refused, silent, never fooled by old news."""

from __future__ import annotations

import contextlib
import shutil
import socket
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from paho.mqtt.client import MQTTMessage

from logger.core.decode.message import MessageDecoder, MessageFormat
from logger.ports.broker import Broker
from logger.ports.mqtt import MqttPort
from logger.ports.session import Session
from logger.settings import MqttSettings, Secret
from tests.mosquitto import Mosquitto, Talker, free_port, needs_mosquitto

from .cable import Sink, await_true, open_descriptors

pytestmark = needs_mosquitto

PLAIN = MessageFormat(unit="kg")
JSON = MessageFormat(("weight", "net"), None, ("unit",), ("at_rest",))
SOON = (0.02, 0.05)
needs_openssl = pytest.mark.skipif(shutil.which("openssl") is None, reason="openssl is not installed")
MakePorts = Callable[..., list[MqttPort]]


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    with Mosquitto(tmp_path) as made:
        yield made


@pytest.fixture
def read(sink: Sink) -> Iterator[MakePorts]:
    """Make and start a port for each (topic, format) on one connection; all end with the test."""
    ports: list[MqttPort] = []

    def start(number: int, *wanted: tuple[str, MessageFormat], **settings: object) -> list[MqttPort]:
        told = MqttSettings(settings.pop("host", "127.0.0.1"), number, **settings)
        connection = Broker(told, reopen_s=SOON)
        made = [
            MqttPort(name, name, MessageDecoder(name, form), connection, sink.put, time.monotonic_ns)
            for name, form in wanted
        ]
        for port in made:
            port.start()
        ports.extend(made)
        return made

    yield start
    for port in ports:
        port.stop()


def test_a_plain_number_and_a_field_arrive_stamped_and_counted(
    broker: Mosquitto, sink: Sink, read: MakePorts
) -> None:
    plain, fields = read(broker.port, ("a", PLAIN), ("b", JSON))
    sink.await_link("up", "up")
    before_ns = time.monotonic_ns()
    with Talker(broker.port) as talker:
        talker.say("a", "12.340")
        talker.say("b", '{"weight": {"net": -0.5}, "unit": "lb", "at_rest": true}')
    sink.await_readings(2)
    first, second = sink.readings
    assert (first.channel, first.number, first.exp, first.unit) == ("a", 12340, -3, "kg")
    assert (second.channel, second.number, second.unit, second.stable) == ("b", -5, "lb", True)
    assert before_ns <= first.at_ns <= second.at_ns <= time.monotonic_ns()
    health = plain.health()
    assert (health.link, health.opened, health.frames, health.rejected, health.bytes_in) == ("up", 1, 1, 0, 6)
    assert (health.message, fields.health().frames) == ("", 1)


def test_two_instruments_read_one_topic_each_its_own_field(
    broker: Mosquitto, sink: Sink, tmp_path: Path
) -> None:
    connection = Broker(MqttSettings("127.0.0.1", broker.port))
    ports = [
        MqttPort(
            name,
            "scales",
            MessageDecoder(name, MessageFormat((name,), "kg")),
            connection,
            sink.put,
            time.monotonic_ns,
        )
        for name in ("a", "b")
    ]
    for port in ports:
        port.start()
    sink.await_link("up", "up")
    with Talker(broker.port) as talker:
        talker.say("scales", '{"a": 1, "b": 2}')
    sink.await_readings(2)
    for port in ports:
        port.stop()
    assert {(each.channel, each.number) for each in sink.readings} == {("a", 1), ("b", 2)}
    assert not connection.alive


def test_what_can_not_be_read_is_garbage_and_told(broker: Mosquitto, sink: Sink, read: MakePorts) -> None:
    (port,) = read(broker.port, ("a", PLAIN))
    sink.await_link("up")
    with Talker(broker.port) as talker:
        talker.say("a", "12,34 kg")
        await_true(lambda: bool(sink.garbage), "the garbage")
        assert (sink.garbage[0].raw, sink.garbage[0].reason) == (b"12,34 kg", "bad-number")
        assert "can't be read (bad-number)" in port.health().message
        talker.say("a", "12.34")
        sink.await_readings(1)
    assert port.health().message == ""


def test_a_broker_that_is_restarted_is_told_once_and_found_again(
    broker: Mosquitto, sink: Sink, read: MakePorts
) -> None:
    read(broker.port, ("a", PLAIN))
    sink.await_link("up")
    broker.stop()
    sink.await_link("up", "down")
    broker.start()
    sink.await_link("up", "down", "up")
    with Talker(broker.port) as talker:
        talker.say("a", "1")
    sink.await_readings(1)


def test_a_broker_that_is_down_at_boot_is_told_with_a_remedy_and_found_later(
    sink: Sink, read: MakePorts, tmp_path: Path
) -> None:
    broker = Mosquitto(tmp_path)
    read(broker.port, ("a", PLAIN))
    sink.await_link("down")
    assert "no broker listens there; start it, or check host and port at [mqtt]" in sink.last_why
    with broker:
        sink.await_link("down", "up")


def test_a_wrong_password_is_told_as_such_and_not_shown(sink: Sink, read: MakePorts, tmp_path: Path) -> None:
    (tmp_path / "users").write_text("")
    (tmp_path / "users").chmod(0o600)
    with Mosquitto(tmp_path, f"allow_anonymous false\npassword_file {tmp_path}/users") as broker:
        read(broker.port, ("a", PLAIN), user="bay", password=Secret("do-not-show"))
        sink.await_link("down")
    assert "it refuses this user" in sink.last_why
    assert "check both at [mqtt]" in sink.last_why
    assert "do-not-show" not in sink.last_why


def test_a_retained_message_is_no_reading_of_now(broker: Mosquitto, sink: Sink, read: MakePorts) -> None:
    with Talker(broker.port) as talker:
        talker.say("a", "5.0", retain=True)
        (port,) = read(broker.port, ("a", PLAIN))
        sink.await_link("up")
        await_true(lambda: bool(sink.garbage), "the old message")
        assert sink.readings == []
        assert (sink.garbage[0].raw, sink.garbage[0].reason) == (b"5.0", "retained")
        assert "only an old message" in port.health().message
        talker.say("a", "6.0", retain=True)
        sink.await_readings(1)
    assert sink.readings[0].number == 60
    assert port.health().message == ""


def test_a_message_that_comes_twice_is_two_equal_readings(
    broker: Mosquitto, sink: Sink, read: MakePorts
) -> None:
    read(broker.port, ("a", PLAIN))
    sink.await_link("up")
    with Talker(broker.port) as talker:
        talker.say("a", "5.0")
        talker.say("a", "5.0")
    sink.await_readings(2)
    assert sink.readings[0][1:] == sink.readings[1][1:]


def test_a_topic_on_which_nothing_comes_is_remarked_on(
    broker: Mosquitto, read: MakePorts, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("logger.ports.mqtt.QUIET_S", 0.1)
    (port,) = read(broker.port, ("no/such/topic", PLAIN))
    await_true(lambda: "nothing has come on this topic yet" in port.health().message, "the remark")
    assert "no/such/topic" in port.health().message


def test_a_flood_is_counted_and_dropped_and_stopping_stays_quick(
    broker: Mosquitto, sink: Sink, read: MakePorts
) -> None:
    (port,) = read(broker.port, ("a", PLAIN))
    sink.await_link("up")
    first_s = time.monotonic()
    with Talker(broker.port) as talker:
        for _ in range(6000):
            talker._client.publish("a", "1.000", qos=0)
        await_true(lambda: port.health().bytes_in > 20_000, "most of the flood")
        assert "no scale sends" in port.health().message
        begin_s = time.monotonic()
        port.stop()
        assert time.monotonic() - begin_s < 1.5
    assert 0 < len(sink.readings) <= 500 * (2 + time.monotonic() - first_s)
    assert any(piece.reason.startswith("flood-") for piece in sink.garbage)


@pytest.mark.parametrize("times", [4, pytest.param(50, marks=pytest.mark.full)])
def test_a_broker_lost_again_and_again_leaks_no_descriptor_and_no_thread(
    broker: Mosquitto, sink: Sink, read: MakePorts, times: int
) -> None:
    read(broker.port, ("a", PLAIN))
    sink.await_link("up")
    before, threads = open_descriptors(), threading.active_count()
    for turn in range(times):
        broker.stop()
        await_true(lambda turn=turn: len(sink.links) == 2 + 2 * turn, "the loss told")
        broker.start()
        await_true(lambda turn=turn: len(sink.links) == 3 + 2 * turn, "the link up again")
    assert open_descriptors() <= before
    assert threading.active_count() <= threads


def test_a_fault_in_the_program_does_not_end_the_connection(
    broker: Mosquitto, sink: Sink, read: MakePorts, caplog: pytest.LogCaptureFixture
) -> None:
    (port,) = read(broker.port, ("a", PLAIN))
    sink.await_link("up")
    sound = port._decoder
    port._decoder = None
    with Talker(broker.port) as talker:
        talker.say("a", "1")
        await_true(lambda: "was taken by nobody" in caplog.text, "the fault in the log")
        port._decoder = sound
        talker.say("a", "2")
        sink.await_readings(1)
    assert sink.links == ["up"]


@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
def test_a_connection_whose_thread_died_is_noticed_and_made_anew(
    broker: Mosquitto, sink: Sink, read: MakePorts, monkeypatch: pytest.MonkeyPatch
) -> None:
    """paho's client goes on calling itself connected then."""
    sound = Session._on_message

    def faulty(session: Session, client: object, userdata: object, message: MQTTMessage) -> None:
        if message.payload == b"1":
            raise ZeroDivisionError("on purpose")
        sound(session, client, userdata, message)

    monkeypatch.setattr(Session, "_guarded", lambda session, work: work)
    monkeypatch.setattr(Session, "_on_message", faulty)
    read(broker.port, ("a", PLAIN))
    sink.await_link("up")
    with Talker(broker.port) as talker:
        talker.say("a", "1")
        sink.await_link("up", "down", "up")
        assert "a fault of the program" in [i.data["why"] for i in sink.items if i.kind == "link"][1]
        talker.say("a", "2")
        sink.await_readings(1)


def test_a_program_that_is_no_broker_is_told_as_such(
    sink: Sink, read: MakePorts, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("logger.ports.session.ANSWER_S", 0.2)
    with socket.create_server(("127.0.0.1", 0)) as mute:
        read(mute.getsockname()[1], ("a", PLAIN))
        sink.await_link("down")
    assert "gives no answer in the way of MQTT" in sink.last_why


def test_an_authority_that_is_not_there_is_told(sink: Sink, read: MakePorts) -> None:
    read(free_port(), ("a", PLAIN), tls=True, ca_file=Path("/no/such/ca.pem"))
    sink.await_link("down")
    assert "there is no file /no/such/ca.pem; check ca_file at [mqtt]" in sink.last_why


# ---------------------------------------------------------------- versions and certificates


class OldBroker:
    """It knows MQTT 3.1.1 alone (OASIS 3.1.1, section 3): CONNECT, SUBSCRIBE, and one message to who asks."""

    def __init__(self, polite: bool) -> None:
        self._polite = polite
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = self._listener.getsockname()[1]
        self.versions: list[int] = []
        self._thread = threading.Thread(target=self._run, daemon=True)

    def __enter__(self) -> OldBroker:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._listener.close()

    def _run(self) -> None:
        while True:
            try:
                link, _ = self._listener.accept()
            except OSError:
                return
            with link, contextlib.suppress(OSError):
                self._serve(link)

    def _serve(self, link: socket.socket) -> None:
        hello = link.recv(4096)
        self.versions.append(hello[8])  # behind the fixed header and the name "MQTT"
        if hello[8] != 4:
            if self._polite:
                link.sendall(b"\x20\x02\x00\x01")  # return code 1: unacceptable protocol version
            return
        link.sendall(b"\x20\x02\x00\x00")
        asked = link.recv(4096)
        link.sendall(b"\x90\x03" + asked[2:4] + b"\x01")
        link.sendall(b"\x30\x06\x00\x01a0.5")
        link.recv(4096)


@pytest.mark.parametrize("polite", [True, False])
def test_a_broker_that_knows_3_1_1_alone_is_spoken_to_so(sink: Sink, read: MakePorts, polite: bool) -> None:
    """Some answer with a return code, some hang up."""
    with OldBroker(polite) as broker:
        read(broker.port, ("a", PLAIN))
        sink.await_readings(1)
    assert broker.versions[:2] == [5, 4]
    assert (sink.readings[0].number, sink.links[0]) == (5, "up")


@pytest.fixture(scope="module")
def certificates(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An authority and a certificate for localhost, made now."""
    home = tmp_path_factory.mktemp("certificates")
    new = ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2"]
    for name, host in (("ours", "localhost"), ("strange", "elsewhere")):
        files = ["-keyout", f"{home}/{name}.key", "-out", f"{home}/{name}.pem"]
        about = ["-subj", f"/CN={host}", "-addext", f"subjectAltName=DNS:{host}"]
        subprocess.run([*new, *files, *about], check=True, capture_output=True)
    return home


@needs_openssl
def test_a_broker_is_read_over_tls_when_its_certificate_is_known(
    sink: Sink, read: MakePorts, tmp_path: Path, certificates: Path
) -> None:
    lines = f"allow_anonymous true\ncertfile {certificates}/ours.pem\nkeyfile {certificates}/ours.key"
    plain = free_port()
    with Mosquitto(tmp_path, f"{lines}\nlistener {plain} 127.0.0.1") as broker:
        read(broker.port, ("a", PLAIN), tls=True, ca_file=certificates / "ours.pem", host="localhost")
        sink.await_link("up")
        with Talker(plain) as talker:
            talker.say("a", "1")
        sink.await_readings(1)


@needs_openssl
@pytest.mark.parametrize(
    ("host", "authority"), [("localhost", "strange"), ("localhost", None), ("127.0.0.1", "ours")]
)
def test_a_certificate_of_a_strange_authority_or_name_is_refused(
    sink: Sink, read: MakePorts, tmp_path: Path, certificates: Path, host: str, authority: str | None
) -> None:
    lines = f"allow_anonymous true\ncertfile {certificates}/ours.pem\nkeyfile {certificates}/ours.key"
    ca_file = None if authority is None else certificates / f"{authority}.pem"
    with Mosquitto(tmp_path, lines) as broker:
        read(broker.port, ("a", PLAIN), tls=True, ca_file=ca_file, host=host)
        sink.await_link("down")
    assert "certificate is not to be trusted" in sink.last_why
    assert "ca_file at [mqtt]" in sink.last_why


@needs_openssl
def test_an_encrypted_port_spoken_to_in_plain_is_told_with_a_remedy(
    sink: Sink, read: MakePorts, tmp_path: Path, certificates: Path
) -> None:
    lines = f"allow_anonymous true\ncertfile {certificates}/ours.pem\nkeyfile {certificates}/ours.key"
    with Mosquitto(tmp_path, lines) as broker:
        read(broker.port, ("a", PLAIN))
        sink.await_link("down")
    assert "check port and tls at [mqtt]" in sink.last_why


def test_two_clients_of_one_id_are_among_what_is_told_to_look_for(
    broker: Mosquitto, sink: Sink, read: MakePorts
) -> None:
    read(broker.port, ("a", PLAIN), client_id="same")
    sink.await_link("up")
    other = Sink()
    told = MqttSettings("127.0.0.1", broker.port, client_id="same")
    second = MqttPort(
        "b",
        "b",
        MessageDecoder("b", PLAIN),
        Broker(told, reopen_s=(60.0, 60.0)),
        other.put,
        time.monotonic_ns,
    )
    second.start()
    await_true(lambda: "down" in sink.links, "the first one's loss")
    assert "another client" in sink.last_why
    assert "client_id" in sink.last_why
    second.stop()
