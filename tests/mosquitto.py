"""A real MQTT broker for tests, and somebody who talks to it. Left out where mosquitto is not installed."""

from __future__ import annotations

import json
import os
import shutil
import socket
import subprocess
import threading
import time
from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import Any

import pytest
from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

PROGRAM = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")
needs_mosquitto = pytest.mark.skipif(PROGRAM is None, reason="mosquitto is not installed")


def until(true: Callable[[], Any], what: str, timeout_s: float = 10.0) -> Any:
    """Wait for a condition; fail with its name where it does not come."""
    end_s = time.monotonic() + timeout_s
    while not (value := true()):
        assert time.monotonic() < end_s, f"{what} did not come about within {timeout_s:g} s"
        time.sleep(0.005)
    return value


def free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as server:
        return server.getsockname()[1]


class Mosquitto:
    """It may be stopped and started again on the same port; it keeps nothing on disk."""

    def __init__(self, home: Path, lines: str = "allow_anonymous true") -> None:
        self.port = free_port()
        self._config = home / "mosquitto.conf"
        self._log = home / "mosquitto.log"
        user = "user root\n" if os.geteuid() == 0 else ""
        self._config.write_text(f"{user}persistence false\nlistener {self.port} 127.0.0.1\n{lines}\n")
        self._process: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> Mosquitto:
        self.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()

    def start(self) -> None:
        assert PROGRAM is not None
        with self._log.open("ab") as log:
            self._process = subprocess.Popen(
                [PROGRAM, "-v", "-c", str(self._config)], stdout=log, stderr=log, stdin=subprocess.DEVNULL
            )
        until(self._answers, f"the broker's start ({self._log.read_text()})")

    def stop(self) -> None:
        if self._process is not None:
            self._process.terminate()
            self._process.wait(10.0)
            self._process = None

    @property
    def log(self) -> str:
        return self._log.read_text()

    def _answers(self) -> bool:
        with socket.socket() as link:
            return link.connect_ex(("127.0.0.1", self.port)) == 0


class Talker:
    """A client of the test's own: it publishes, and keeps what comes on the topics it was told."""

    def __init__(
        self, port: int, *topics: str, version: int = 5, user: tuple[str, str] | None = None
    ) -> None:
        protocol = MQTTProtocolVersion.MQTTv5 if version == 5 else MQTTProtocolVersion.MQTTv311
        self.heard: list[MQTTMessage] = []
        self._client = Client(CallbackAPIVersion.VERSION2, protocol=protocol)
        if user is not None:
            self._client.username_pw_set(*user)
        self._client.on_message = lambda client, userdata, message: self.heard.append(message)
        subscribed = threading.Event()
        self._client.on_subscribe = lambda *args: subscribed.set()
        self._client.on_connect = lambda *args: [self._client.subscribe(topic, 1) for topic in topics]
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        until(self._client.is_connected, "the talker's connection")
        assert not topics or subscribed.wait(5.0)

    def __enter__(self) -> Talker:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._client.disconnect()
        self._client.loop_stop()
        self._client.on_message = self._client.on_subscribe = self._client.on_connect = None

    def say(
        self,
        topic: str,
        payload: str | bytes,
        *,
        retain: bool = False,
        answer_to: str = "",
        mark: bytes = b"",
    ) -> None:
        """Publish at least once, and wait until the broker has it."""
        properties = Properties(PacketTypes.PUBLISH)
        if answer_to:
            properties.ResponseTopic = answer_to
        if mark:
            properties.CorrelationData = mark
        told = properties if answer_to or mark else None
        self._client.publish(topic, payload, qos=1, retain=retain, properties=told).wait_for_publish(5.0)

    def next_answer(self) -> tuple[MQTTMessage, dict[str, Any]]:
        """The next message that came, taken out, and its JSON."""
        until(lambda: self.heard, "an answer")
        message = self.heard.pop(0)
        return message, json.loads(message.payload)
