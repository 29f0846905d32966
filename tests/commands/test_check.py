"""`tallydeck check` of store and broker: what is described, and what is said of those that were tried."""

from __future__ import annotations

import socket
from pathlib import Path
from typing import Any

import pytest

from logger.commands.check import describe, probe_ports
from logger.settings import Configuration, loads
from tests.mosquitto import Mosquitto, Talker, needs_mosquitto, password_lines, until
from tests.servers import TOKEN, Influx, VictoriaMetrics, needs_influx, needs_victoria

STATION = '[stations.table]\nresolution = "5 g"\noutlets = ["concentrate"]\n[bay]\nname = "Foundry bay"\n'


def configured(text: str, token: str = TOKEN) -> Configuration:
    return loads(STATION + text, env={"HOME": "/nonexistent", "STORE": token, "BROKER": "wrong-word"})


def store(url: str, more: str = "") -> str:
    return f'[store]\nurl = "{url}"\nbucket = "tallydeck"\n{more}'


def tried(configuration: Configuration, seconds: float = 1.5) -> dict[str, Any]:
    (found,) = probe_ports(configuration, seconds)
    return found


def lines(text: str) -> str:
    return "\n".join(describe(configured(text))["lines"])


def test_a_store_is_described_without_its_token() -> None:
    told = lines(store("http://localhost:8086", 'token = "env:STORE"\nretract = "mark"\n'))
    assert (
        "Store: http://localhost:8086, bucket tallydeck, not encrypted, with a token; "
        "what is corrected is marked withdrawn there" in told
    )
    assert TOKEN not in told


def test_a_bay_without_store_and_broker_says_nothing_of_them() -> None:
    assert "Store" not in lines("")
    assert "MQTT" not in lines("")


@pytest.mark.parametrize(
    ("publish", "said"),
    [
        ("true", "state, alarms and events go out below tallydeck/foundry-bay"),
        ("false", "nothing is published"),
    ],
)
def test_a_broker_is_described_with_what_goes_out_there(publish: str, said: str) -> None:
    assert said in lines(f'[mqtt]\nhost = "localhost"\npublish = {publish}\n')


@needs_victoria
def test_a_store_that_takes_us_is_alive_and_holds_nothing_more(tmp_path: Path) -> None:
    with VictoriaMetrics(tmp_path) as engine:
        found = tried(configured(store(engine.url)))
        assert (found["name"], found["alive"]) == ("[store]", True)
        assert "takes what is written" in found["says"]
        assert engine.held() == {}


@needs_influx
def test_a_wrong_token_is_told_from_a_right_one(tmp_path: Path) -> None:
    with Influx(tmp_path) as engine:
        text = store(engine.url, 'token = "env:STORE"\n')
        assert tried(configured(text))["alive"]
        found = tried(configured(text, "a-wrong-word"))
        assert not found["alive"]
        assert "answers 401" in found["says"]
        assert "give a token at [store]" in found["says"]
        assert "a-wrong-word" not in found["says"]


def test_a_store_that_is_not_there_is_said(tmp_path: Path) -> None:
    with socket.socket() as nobody:  # bound, and not listening
        nobody.bind(("127.0.0.1", 0))
        found = tried(configured(store(f"http://127.0.0.1:{nobody.getsockname()[1]}")))
    assert not found["alive"]
    assert "does not answer" in found["says"]


@needs_mosquitto
def test_a_broker_that_takes_us_hears_nothing_from_us(tmp_path: Path) -> None:
    with Mosquitto(tmp_path) as broker, Talker(broker.port, "#") as talker:
        found = tried(configured(f'[mqtt]\nhost = "127.0.0.1"\nport = {broker.port}\n'))
        assert (found["name"], found["alive"]) == ("[mqtt]", True), found
        talker.say("last", "word")
        until(lambda: talker.heard, "the last word")
        assert [message.topic for message in talker.heard] == ["last"]


@needs_mosquitto
def test_a_wrong_password_is_said(tmp_path: Path) -> None:
    with Mosquitto(tmp_path, password_lines(tmp_path, {"bay": "right-word"})) as broker:
        text = f'[mqtt]\nhost = "127.0.0.1"\nport = {broker.port}\nuser = "bay"\npassword = "env:BROKER"\n'
        found = tried(configured(text))
    assert not found["alive"]
    assert "check both at [mqtt]" in found["says"]
    assert "wrong-word" not in found["says"]
