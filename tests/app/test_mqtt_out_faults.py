"""A broker that ends, forgets, freezes or refuses: afterwards all was told, and what it keeps is right."""

from __future__ import annotations

import socket
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from logger.app import Daemon
from tests.app.gate import V311, Gate
from tests.app.speaking import ROOT, Ear, alarm, assert_right, await_all_told, events_in, quiet
from tests.mosquitto import (
    Certificates,
    Mosquitto,
    Talker,
    needs_mosquitto,
    needs_openssl,
    password_lines,
    until,
)

pytestmark = needs_mosquitto


def await_live(daemon: Daemon) -> None:
    until(lambda: daemon.followers[0].standing().state == "live", "the connection", 40.0)


def same(heard: dict[int, dict[str, Any]], daemon: Daemon) -> None:
    """What was heard is what the journal holds, one by one."""
    found = events_in(daemon)
    assert heard.keys() == found.keys()
    for seq, told in heard.items():
        mine = found[seq]
        assert (told["kind"], told["subject"], told["cause"]) == (mine.kind, mine.subject, mine.cause)


@pytest.mark.parametrize("end", ["stop", "kill"])
def test_a_broker_that_ends_and_forgets_is_told_everything_again(tmp_path: Path, end: str) -> None:
    """The listener is back before the daemon is let in: a broker keeps no event for who is not there."""
    heard: dict[int, dict[str, Any]] = {}
    broker = Mosquitto(tmp_path)

    def hear_all(ear: Ear) -> None:
        until(lambda: ear.events.keys() >= events_in(daemon).keys() - heard.keys(), "every event")
        heard.update(ear.events)

    with broker, Gate(broker.port) as gate, quiet(gate.port, tmp_path) as daemon:
        for turn in range(3):
            with Ear(broker.port) as ear:
                gate.open() if turn else None
                await_live(daemon)
                alarm(daemon, True)
                await_all_told(daemon)
                assert_right(daemon, broker.port)
                hear_all(ear)
                getattr(broker, end)()
            gate.shut()
            for number in range(20):
                alarm(daemon, False)
                alarm(daemon, True, f"Trouble {number}")
            until(lambda: daemon.followers[0].standing().state == "retrying", "the loss")
            broker.start()
        with Ear(broker.port) as ear:
            gate.open()
            await_live(daemon)
            await_all_told(daemon)
            assert_right(daemon, broker.port)
            hear_all(ear)
    same(heard, daemon)


def test_a_broker_that_freezes_is_left_and_found_again(tmp_path: Path) -> None:
    broker = Mosquitto(tmp_path)
    with broker, quiet(broker.port, tmp_path) as daemon, Ear(broker.port) as ear:
        await_live(daemon)
        broker.freeze()
        begin_s = time.monotonic()
        alarm(daemon, True)
        until(lambda: daemon.followers[0].standing().state == "retrying", "the loss", 14.0)
        assert time.monotonic() - begin_s > 8.0
        assert "acknowledged nothing" in daemon.followers[0].standing().message
        alarm(daemon, False)
        until(lambda: time.monotonic() - begin_s > 15.0, "fifteen seconds", 16.0)
        broker.thaw()
        await_live(daemon)
        await_all_told(daemon)
        until(lambda: ear.events.keys() == events_in(daemon).keys(), "every event")
        same(ear.events, daemon)
        assert_right(daemon, broker.port)
        assert [m.payload for m in ear.heard if m.topic == f"{ROOT}/status"][-1] == b"online"


def test_a_broker_that_comes_late_is_told_what_happened_before(tmp_path: Path) -> None:
    broker = Mosquitto(tmp_path)
    with quiet(broker.port, tmp_path) as daemon:
        until(lambda: daemon.followers[0].standing().state == "retrying", "the first try")
        for number in range(5):
            alarm(daemon, True, f"Trouble {number}")
            alarm(daemon, False)
        daemon.loop.alarms()
        with broker, Ear(broker.port) as ear:
            await_live(daemon)
            await_all_told(daemon)
            until(lambda: ear.events.keys() == events_in(daemon).keys(), "every event")
            assert_right(daemon, broker.port)


def test_a_daemon_that_is_cut_off_is_said_to_be_offline_by_the_broker(tmp_path: Path) -> None:
    with Mosquitto(tmp_path) as broker, Ear(broker.port) as ear, quiet(broker.port, tmp_path) as daemon:

        def said() -> list[bytes]:
            return [m.payload for m in list(ear.heard) if m.topic == f"{ROOT}/status"]

        until(lambda: said() == [b"online"], "the word that it is there")
        link = daemon.followers[0]._broker._session._client.socket()
        link.shutdown(socket.SHUT_RDWR)
        until(lambda: b"offline" in said(), "the will")
        until(lambda: said()[-1] == b"online", "the word that it is there again")


# ---------------------------------------------------------------- who may

RIGHTS = f"""
user bay
topic readwrite {ROOT}/#
topic read bay/#
user half
topic read bay/#
topic write {ROOT}/status
topic write {ROOT}/event/#
user panel
topic read {ROOT}/#
topic write {ROOT}/act
"""
USERS = {"bay": "bay-word", "half": "half-word", "panel": "panel-word"}


@pytest.fixture
def guarded(tmp_path: Path) -> Iterator[Mosquitto]:
    with Mosquitto(tmp_path, password_lines(tmp_path, USERS, RIGHTS)) as made:
        yield made


def test_a_wrong_password_is_an_alarm_at_once(guarded: Mosquitto, tmp_path: Path) -> None:
    told = 'user = "bay"\npassword = "env:WORD"'
    with quiet(guarded.port, tmp_path, told, WORD="no-such-word") as daemon:
        until(lambda: daemon.followers[0].standing().state == "paused", "the pause")
        (shown,) = until(lambda: daemon.loop.snapshot()["alarms"], "the alarm")
        assert (shown["id"], shown["state"]) == ("broker-behind/broker", "unacknowledged")
        assert "refuses" in shown["what"]
        assert "check both at [mqtt]" in shown["do"]
        assert "no-such-word" not in str(shown)


def test_a_client_that_may_not_publish_a_topic_is_told_which_and_nothing_is_lost(
    guarded: Mosquitto, tmp_path: Path
) -> None:
    told = 'user = "half"\npassword = "env:WORD"'
    with quiet(guarded.port, tmp_path, told, WORD="half-word") as daemon:
        until(lambda: daemon.followers[0].standing().state == "paused", "the pause")
        (shown,) = until(lambda: daemon.loop.snapshot()["alarms"], "the alarm")
        assert f"does not let this client publish {ROOT}/" in shown["what"]
        assert "access list" in shown["do"]
        await_all_told(daemon)


def test_only_who_may_write_there_acts(guarded: Mosquitto, tmp_path: Path) -> None:
    told = 'user = "bay"\npassword = "env:WORD"\nactions = true'
    note = '{"action": "note", "text": "x"}'
    with quiet(guarded.port, tmp_path, told, WORD="bay-word") as daemon:
        until(lambda: daemon.by_mqtt is not None and daemon.by_mqtt.listening, "the daemon's ear")
        with Talker(guarded.port, user=("half", "half-word")) as half:
            half.say(f"{ROOT}/act", note)
        with Talker(guarded.port, f"{ROOT}/answer", user=("panel", "panel-word")) as panel:
            panel.say(f"{ROOT}/act", note)
            assert panel.next_answer()[1]["accepted"]
            assert panel.heard == []
        assert len(daemon.loop.said()) == 1
        with pytest.raises(AssertionError), Talker(guarded.port, user=("panel", "wrong"), patience_s=1.0):
            pass


# ---------------------------------------------------------------- certificates


@pytest.fixture(scope="module")
def certificates(tmp_path_factory: pytest.TempPathFactory) -> Certificates:
    return Certificates(tmp_path_factory.mktemp("certificates"))


@needs_openssl
def test_a_client_shows_its_certificate_where_the_broker_asks_for_one(
    tmp_path: Path, certificates: Certificates
) -> None:
    own, key = certificates.client
    told = f'tls = true\nca_file = "{certificates.authority}"\n'
    mine = f'certificate_file = "{own}"\nkey_file = "{key}"'
    lines = f"allow_anonymous true\n{certificates.lines(ask_clients=True)}"
    with Mosquitto(tmp_path, lines) as broker:
        with quiet(broker.port, tmp_path, told + mine, host="localhost") as daemon:
            await_live(daemon)
            alarm(daemon, True)
            await_all_told(daemon)
            assert_right(
                daemon, broker.port, authority=certificates.authority, certificate=certificates.client
            )
        with quiet(broker.port, tmp_path, told, host="localhost") as daemon:
            until(lambda: daemon.followers[0].standing().message, "the refusal", 20.0)
            assert "certificate" in daemon.followers[0].standing().message


@needs_openssl
@pytest.mark.parametrize(
    ("key", "words"),
    [
        ("stranger", "certificate"),
        ("missing", "there is no file"),
        ("mixed", "own certificate"),
        ("locked", "pass phrase"),
    ],
)
def test_a_certificate_that_will_not_do_is_told(
    tmp_path: Path, certificates: Certificates, key: str, words: str
) -> None:
    files = {
        "stranger": certificates.stranger,
        "missing": (Path("/no/such/own.pem"), certificates.client[1]),
        "mixed": (certificates.client[0], certificates.stranger[1]),
        "locked": (certificates.client[0], locked(certificates.client[1])),
    }[key]
    told = f'tls = true\nca_file = "{certificates.authority}"\n'
    mine = f'certificate_file = "{files[0]}"\nkey_file = "{files[1]}"'
    lines = f"allow_anonymous true\n{certificates.lines(ask_clients=True)}"
    with (
        Mosquitto(tmp_path, lines) as broker,
        quiet(broker.port, tmp_path, told + mine, host="localhost") as daemon,
    ):
        until(lambda: daemon.followers[0].standing().message, "the refusal", 20.0)
        assert words in daemon.followers[0].standing().message


def locked(key: Path) -> Path:
    """The same key behind a pass phrase."""
    made = key.with_suffix(".locked")
    told = ["openssl", "pkey", "-in", str(key), "-aes256", "-passout", "pass:word", "-out", str(made)]
    subprocess.run(told, check=True, capture_output=True)
    return made


@needs_openssl
def test_a_broker_whose_certificate_is_strange_gets_nothing(
    tmp_path: Path, certificates: Certificates
) -> None:
    other = certificates.authority.with_name("other.pem")
    lines = f"allow_anonymous true\n{certificates.lines()}"
    told = f'tls = true\nca_file = "{other}"'
    with (
        Mosquitto(tmp_path, lines) as broker,
        quiet(broker.port, tmp_path, told, host="localhost") as daemon,
    ):
        until(lambda: daemon.followers[0].standing().state == "paused", "the pause")
        assert "not to be trusted" in daemon.followers[0].standing().message
        assert "will message" not in broker.log.lower()


# ---------------------------------------------------------------- an old broker


def test_a_broker_that_knows_3_1_1_alone_is_told_the_same(tmp_path: Path) -> None:
    with (
        Mosquitto(tmp_path) as broker,
        Gate(broker.port, only=V311) as old,
        Ear(broker.port, version=3) as ear,
        quiet(old.port, tmp_path) as daemon,
    ):
        await_live(daemon)
        alarm(daemon, True)
        await_all_told(daemon)
        assert old.versions[:2] == [5, 4]
        until(lambda: ear.events.keys() == events_in(daemon).keys(), "every event")
        assert_right(daemon, broker.port)
