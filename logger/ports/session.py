"""One connection to an MQTT broker, from the first byte to the last. A new one is made for each try.

MQTT 5.0 (OASIS) or 3.1.1. Nothing is kept at the broker between connections: what was sent meanwhile
is old, and an old reading is none. An exception in a callback would end paho's thread while the client
goes on calling itself connected (measured with 2.2), so every callback is guarded, and the
thread is looked at.
"""

from __future__ import annotations

import errno
import logging
import socket
import ssl
import threading
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any, NamedTuple, TypeAlias

from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from logger.ports import encryption
from logger.ports.wire import explain
from logger.settings.values import MqttSettings

log = logging.getLogger(__name__)

CONNECT_S = 1.5
ANSWER_S = 5.0  # for the broker's first word
KEEPALIVE_S = 15
LOOK_S = 0.5
MOST_PACKET = 80_000  # bytes; an action has up to 64 KiB
MOST_IN_FLIGHT = 100  # messages that the broker has not acknowledged yet
SILENT_S = 10.0  # a message that is not acknowledged for so long: the link is dead, whatever TCP says
FAREWELL_S = 1.0

ONLINE, OFFLINE = "online", "offline"
ENDED = "ended"

WRONG_VERSION = 132
NOT_AUTHORISED = 135
REFUSED = {
    133: "it refuses the client_id at [mqtt]; choose another one",
    134: "it refuses the user or the password; check both at [mqtt]",
    135: "it refuses this user, or to serve anyone without user and password; check both at [mqtt]",
    136: "it is not ready to serve; it is tried again by itself",
    137: "it is busy; it is tried again by itself",
    142: "another client came with the same client_id; give each its own at [mqtt]",
}
"""Reason codes of MQTT 5.0 (2.4) and what to do; paho gives the return codes of 3.1.1 as these."""

SHUT_OUT = frozenset({133, 134, 135, 138, 140})
"""Those of them after which it is of no use to try again before somebody has done something."""

Taken: TypeAlias = Callable[[int], None]
"""Hears the reason code with which a message was acknowledged: from 128 up it was not taken."""


_LOOK_AT = "check the broker and the network, and that another client does not use the same client_id"


@dataclass(frozen=True, slots=True)
class Message:
    """What came on a topic. ``retained``: the broker kept it from before, so it is of unknown age.

    ``answer_to`` and ``correlation`` are where and with what the sender wants to be answered.
    """

    topic: str
    payload: bytes
    retained: bool = False
    answer_to: str = ""
    correlation: bytes = b""


class _Flying(NamedTuple):
    """A message on its way: when it was sent, and who hears what became of it."""

    since_s: float
    taken: Taken | None


class Session:
    """``opened`` tells the topics to subscribe to; ``granted`` hears for each topic why not, "" where it is;
    ``heard`` gets the messages. All are called from paho's thread.

    ``status``: a topic on which *online* is kept while this connection stands and *offline* afterwards, said
    by the broker (the will) where we can't say it ourselves; "" for a client that says nothing of itself.
    """

    def __init__(  # noqa: PLR0917 - what a connection is made of
        self,
        settings: MqttSettings,
        protocol: MQTTProtocolVersion,
        opened: Callable[[], Iterable[str]],
        granted: Callable[[str, str], None],
        heard: Callable[[Message], None],
        status: str = "",
    ) -> None:
        self.accepted = False
        self.wrong_version = False
        self.shut_out = False  # refused in a way that only a person can mend
        self.largest = 0  # bytes of the largest packet that the broker takes; 0: it sets no limit
        self._settings = settings
        self._protocol = protocol
        self._opened, self._granted, self._heard = opened, granted, heard
        self._over = threading.Event()
        self._why = ""
        self._asking = threading.Lock()
        self._asked: dict[int, list[str]] = {}
        self._status = status
        self._most = MOST_IN_FLIGHT
        self._noting = threading.Lock()  # never held while paho is called, which calls back under its own
        self._flying: dict[int, _Flying] = {}
        self._early: dict[int, int] = {}  # acknowledged before we knew the number
        self._client: Client | None = None

    @property
    def url(self) -> str:
        return f"{'mqtts' if self._settings.tls else 'mqtt'}://{self._settings.host}:{self._settings.port}"

    def run(self, look: Callable[[], None]) -> str:
        """Connect and stay until it is over; answer why. ``look`` is called twice a second."""
        try:
            client = self._client = self._made()
            client.connect(self._settings.host, self._settings.port, KEEPALIVE_S, **self._hello())
        except (OSError, ValueError) as error:
            self._client = None
            self.shut_out = isinstance(error, ssl.SSLCertVerificationError | encryption.Unusable)
            return f"{self.url}: {self._trouble(error)}"
        client.loop_start()
        thread = client._thread  # the only way to see that it died
        try:
            self._stay(thread, look)
            self._farewell()
        finally:
            self._close(client, thread)
        return f"{self.url}: {self._why}"

    def _stay(self, thread: threading.Thread | None, look: Callable[[], None]) -> None:
        begin_s = time.monotonic()
        while not self._over.wait(LOOK_S):
            look()
            if thread is not None and not thread.is_alive():
                self._end(
                    "the connection ended by a fault of the program or the broker; the log may say more"
                )
            elif not self.accepted and time.monotonic() - begin_s > ANSWER_S:
                self._end("something listens there, but gives no answer in the way of MQTT; check the port")
            elif self._silent_s() > SILENT_S:
                self._end(f"it has acknowledged nothing for {SILENT_S:g} s; it is connected to anew")

    def end(self) -> None:
        """Have `run` return soon. Thread-safe."""
        self._end(ENDED)

    def subscribe(self, topics: Iterable[str]) -> None:
        """Ask for these topics. Thread-safe; answered by ``granted``."""
        wanted, client = list(topics), self._client
        if not wanted or client is None:
            return
        with self._asking:  # the answer may be here before we know what it answers
            if self._protocol == MQTTProtocolVersion.MQTTv5:
                result, mid = client.subscribe([(topic, SubscribeOptions(qos=1)) for topic in wanted])
            else:
                result, mid = client.subscribe([(topic, 1) for topic in wanted])
            if result == MQTTErrorCode.MQTT_ERR_SUCCESS and mid is not None:
                self._asked[mid] = wanted

    def publish(
        self,
        topic: str,
        payload: str,
        correlation: bytes = b"",
        *,
        retain: bool = False,
        spare: int = 0,
        taken: Taken | None = None,
    ) -> bool:
        """Send at least once while this connection lasts; False where it can't be sent now.

        ``spare``: so many places among the messages in flight are left to others.
        ``taken`` is called from paho's thread, which holds a lock of its own then: it must not publish.
        """
        room = self._most - min(spare, self._most // 2) - len(self._flying)
        return self.accepted and room > 0 and self._send(topic, payload, correlation, retain, taken)

    def _send(self, topic: str, payload: str, correlation: bytes, retain: bool, taken: Taken | None) -> bool:
        client = self._client
        if client is None:
            return False
        properties = None
        if self._protocol == MQTTProtocolVersion.MQTTv5 and correlation:
            properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
            properties.CorrelationData = correlation
        sent = client.publish(topic, payload, qos=1, retain=retain, properties=properties)
        if sent.rc != MQTTErrorCode.MQTT_ERR_SUCCESS:
            return False
        with self._noting:
            code = self._early.pop(sent.mid, None)
            if code is None:
                self._flying[sent.mid] = _Flying(time.monotonic(), taken)
        if code is not None and taken is not None:
            taken(code)
        return True

    def _silent_s(self) -> float:
        """How long the oldest message has waited for its acknowledgement."""
        with self._noting:
            oldest = next(iter(self._flying.values()), None)
        return 0.0 if oldest is None else time.monotonic() - oldest.since_s

    def _farewell(self) -> None:
        """At an end of our own will, say so; a will speaks only for those who were cut off."""
        if not (self._status and self.accepted and self._why == ENDED):
            return
        said = threading.Event()
        if self._send(self._status, OFFLINE, b"", True, lambda code: said.set()):
            said.wait(FAREWELL_S)

    # ------------------------------------------------------------------ paho

    def _made(self) -> Client:
        settings = self._settings
        client = encryption.ClosingClient(
            CallbackAPIVersion.VERSION2,
            client_id=settings.client_id,
            protocol=self._protocol,
            reconnect_on_failure=False,
        )
        client.connect_timeout = CONNECT_S
        client.max_inflight_messages_set(MOST_IN_FLIGHT + 1)  # and the farewell
        if self._status:
            client.will_set(self._status, OFFLINE, qos=1, retain=True)
        if settings.user is not None:
            password = settings.password
            client.username_pw_set(settings.user, None if password is None else password.reveal())
        if settings.tls:
            client.tls_set_context(encryption.context(settings))
        client.on_connect = self._guarded(self._on_connect)
        client.on_subscribe = self._guarded(self._on_subscribe)
        client.on_message = self._guarded(self._on_message)
        client.on_publish = self._guarded(self._on_publish)
        client.on_disconnect = self._guarded(self._on_disconnect)
        return client

    def _hello(self) -> dict[str, Any]:
        if self._protocol != MQTTProtocolVersion.MQTTv5:
            return {}
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        properties.MaximumPacketSize = MOST_PACKET
        return {"clean_start": True, "properties": properties}

    def _guarded(self, work: Callable[..., None]) -> Callable[..., None]:
        def call(*args: Any) -> None:
            try:
                work(*args)
            except Exception:
                log.exception("mqtt: unexpected trouble; the connection is kept")

        return call

    def _on_connect(self, client: Client, userdata: Any, flags: Any, code: ReasonCode, more: Any) -> None:
        if code.is_failure:
            self.wrong_version = code.value == WRONG_VERSION
            self.shut_out = code.value in SHUT_OUT
            told = REFUSED.get(
                code.value, f"it refuses the connection ({code.getName()}); see the broker's log"
            )
            self._end(told)
            return
        self._most = min(MOST_IN_FLIGHT, getattr(more, "ReceiveMaximum", MOST_IN_FLIGHT))
        self.largest = getattr(more, "MaximumPacketSize", 0)
        self.accepted = True
        if self._status:
            self._send(self._status, ONLINE, b"", True, None)
        self.subscribe(self._opened())

    def _on_subscribe(
        self, client: Client, userdata: Any, mid: int, codes: list[ReasonCode], more: Any
    ) -> None:
        with self._asking:
            asked = self._asked.pop(mid, [])
        for topic, code in zip(asked, codes, strict=False):
            why = ""
            if code.is_failure:
                why = f"{self.url}: it does not let this client read {topic}; see the broker's access list"
            self._granted(topic, why)

    def _on_message(self, client: Client, userdata: Any, message: MQTTMessage) -> None:
        properties = message.properties
        self._heard(
            Message(
                message.topic,
                bytes(message.payload),
                message.retain,
                getattr(properties, "ResponseTopic", ""),
                getattr(properties, "CorrelationData", b""),
            )
        )

    def _on_publish(self, client: Client, userdata: Any, mid: int, code: ReasonCode, more: Any) -> None:
        with self._noting:
            sent = self._flying.pop(mid, None)
            if sent is None:
                self._early[mid] = code.value
        if sent is not None and sent.taken is not None:
            sent.taken(code.value)

    def _on_disconnect(self, client: Client, userdata: Any, flags: Any, code: ReasonCode, more: Any) -> None:
        if not self.accepted and not self._why:
            self.wrong_version = True  # some brokers hang up on a version that they don't know
            asks = " (it may ask for a certificate: certificate_file)" if self._settings.tls else ""
            self._end(
                f"it hangs up at the first word; check port and tls at [mqtt]{asks}, and the broker's log"
            )
        named = REFUSED.get(code.value) if code.is_failure else None
        self._end(named or f"the connection is lost ({code.getName()}); {_LOOK_AT}")

    # ------------------------------------------------------------------ the end

    def _end(self, why: str) -> None:
        self._why = self._why or why
        self._over.set()

    def _close(self, client: Client, thread: threading.Thread | None) -> None:
        client.disconnect()
        if thread is not None:
            thread.join(LOOK_S)
        link = client.socket()
        if thread is not None and thread.is_alive() and isinstance(link, socket.socket):
            try:
                link.shutdown(socket.SHUT_RDWR)  # a network that takes no more bytes would hold it for long
            except OSError:
                pass
        client.loop_stop()
        # Without these circles its descriptors are given back at once, not at some later collection.
        client.on_connect = client.on_subscribe = client.on_message = client.on_disconnect = None
        client.on_publish = None
        self._client = None

    def _trouble(self, error: OSError | ValueError) -> str:
        if isinstance(error, encryption.Unusable | ssl.SSLError):
            return encryption.words(error)
        if isinstance(error, ConnectionRefusedError):
            return "no broker listens there; start it, or check host and port at [mqtt]"
        if getattr(error, "errno", None) in (errno.ECONNRESET, errno.EPIPE):
            return "the connection is lost; check the broker, and tls and port at [mqtt]"
        return explain(error, "").removeprefix(": ")
