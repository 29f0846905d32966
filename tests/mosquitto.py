"""A real MQTT broker for tests, and somebody who talks to it. Left out where mosquitto is not installed."""

from __future__ import annotations

import json
import os
import shutil
import ssl
import subprocess
import threading
from pathlib import Path
from types import TracebackType
from typing import Any

import pytest
from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from tests.program import Program, free_port, listens, until

__all__ = ["Mosquitto", "Talker", "free_port", "needs_mosquitto", "until"]

PROGRAM = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")
needs_mosquitto = pytest.mark.skipif(PROGRAM is None, reason="mosquitto is not installed")
needs_openssl = pytest.mark.skipif(shutil.which("openssl") is None, reason="openssl is not installed")


class Mosquitto(Program):
    """It may be stopped, killed and frozen, and started again on the same port.

    ``persistence``: what is retained and queued is on the disk after a `stop`; after a `kill` what it saved
    last is, which may be nothing. Without it every end forgets all.
    """

    def __init__(self, home: Path, lines: str = "allow_anonymous true", *, persistence: bool = False) -> None:
        assert PROGRAM is not None
        self.port = free_port()
        config = home / "mosquitto.conf"
        user = "user root\n" if os.geteuid() == 0 else ""
        kept = f"persistence true\npersistence_location {home}/\n" if persistence else "persistence false\n"
        config.write_text(f"{user}{kept}listener {self.port} 127.0.0.1\n{lines}\n")
        super().__init__(
            "mosquitto",
            [PROGRAM, "-v", "-c", str(config)],
            home / "mosquitto.log",
            lambda: listens(self.port),
        )


def password_lines(home: Path, users: dict[str, str], rights: str = "") -> str:
    """Lines of a configuration: only these users get in, and do what ``rights`` (an ACL) allow."""
    program = shutil.which("mosquitto_passwd")
    assert program is not None, "mosquitto_passwd comes with mosquitto"
    passwords = home / "passwords"
    passwords.write_text("".join(f"{user}:{password}\n" for user, password in users.items()))
    passwords.chmod(0o600)
    subprocess.run([program, "-U", str(passwords)], check=True, capture_output=True)
    lines = f"allow_anonymous false\npassword_file {passwords}"
    if rights:
        (home / "rights").write_text(rights)
        (home / "rights").chmod(0o600)
        lines += f"\nacl_file {home}/rights"
    return lines


class Certificates:
    """An authority, the broker's certificate for ``localhost``, a client's, and one of another authority."""

    def __init__(self, home: Path) -> None:
        home.mkdir(parents=True, exist_ok=True)
        self.authority = self._authority(home, "authority")
        self.server = self._signed(home, "server", "localhost", "authority")
        self.client = self._signed(home, "client", "bay", "authority")
        self._authority(home, "other")
        self.stranger = self._signed(home, "stranger", "bay", "other")

    def lines(self, *, ask_clients: bool = False) -> str:
        """Lines of a listener with TLS."""
        certificate, key = self.server
        ask = f"\nrequire_certificate true\ncafile {self.authority}" if ask_clients else ""
        return f"certfile {certificate}\nkeyfile {key}{ask}"

    def _authority(self, home: Path, name: str) -> Path:
        self._openssl(
            *("req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj", f"/CN={name}"),
            *("-keyout", f"{home}/{name}.key", "-out", f"{home}/{name}.pem"),
        )
        return home / f"{name}.pem"

    def _signed(self, home: Path, name: str, host: str, by: str) -> tuple[Path, Path]:
        self._openssl(
            *("req", "-newkey", "rsa:2048", "-nodes", "-subj", f"/CN={host}"),
            *("-keyout", f"{home}/{name}.key", "-out", f"{home}/{name}.csr"),
        )
        (home / f"{name}.ext").write_text(f"subjectAltName=DNS:{host}\n")
        self._openssl(
            *("x509", "-req", "-in", f"{home}/{name}.csr", "-days", "2", "-CAcreateserial"),
            *("-CA", f"{home}/{by}.pem", "-CAkey", f"{home}/{by}.key"),
            *("-extfile", f"{home}/{name}.ext", "-out", f"{home}/{name}.pem"),
        )
        return home / f"{name}.pem", home / f"{name}.key"

    @staticmethod
    def _openssl(*told: str) -> None:
        subprocess.run(["openssl", *told], check=True, capture_output=True)


class Talker:
    """A client of the test's own: it publishes, and keeps what comes on the topics it was told."""

    def __init__(
        self,
        port: int,
        *topics: str,
        version: int = 5,
        user: tuple[str, str] | None = None,
        authority: Path | None = None,
        certificate: tuple[Path, Path] | None = None,
        patience_s: float = 10.0,
    ) -> None:
        protocol = MQTTProtocolVersion.MQTTv5 if version == 5 else MQTTProtocolVersion.MQTTv311
        self.heard: list[MQTTMessage] = []
        self._client = Client(CallbackAPIVersion.VERSION2, protocol=protocol)
        if user is not None:
            self._client.username_pw_set(*user)
        if authority is not None:
            own, key = certificate or (None, None)
            self._client.tls_set(
                str(authority),
                str(own) if own else None,
                str(key) if key else None,
                tls_version=ssl.PROTOCOL_TLS_CLIENT,
            )
        self._client.on_message = lambda client, userdata, message: self.heard.append(message)
        subscribed = threading.Event()
        self._client.on_subscribe = lambda *args: subscribed.set()
        self._client.on_connect = lambda *args: [self._client.subscribe(topic, 1) for topic in topics]
        self._client.connect("127.0.0.1" if authority is None else "localhost", port)
        self._client.loop_start()
        try:
            until(self._client.is_connected, "the talker's connection", patience_s)
        except AssertionError:
            self._client.disconnect()
            self._client.loop_stop()
            raise
        assert not topics or subscribed.wait(5.0)

    def __enter__(self) -> Talker:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._client.disconnect()
        self._client.loop_stop()
        self._client.on_message = self._client.on_subscribe = self._client.on_connect = None

    def hasty(self) -> None:
        """Connect anew at once where the broker goes away, so that little is said before it listens again."""
        self._client.reconnect_delay_set(0.02, 0.05)  # type: ignore[arg-type]

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
