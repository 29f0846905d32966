"""The one connection to the MQTT broker, shared by all who read or speak there; it is kept up for ever.

It begins when the first one joins and ends when the last one leaves. A broker that is not there is
tried again after 0.5 s, 1 s and so on up to 15 s; only a connection that brought a message or held for
half a minute counts as mended, so one that comes and goes does not flap twice a second. MQTT 5.0 is
spoken, or 3.1.1 where that is not known.
"""

from __future__ import annotations

import logging
import random
import threading
import time
from typing import Protocol

from paho.mqtt.enums import MQTTProtocolVersion

from logger.ports.schedule import Backoff
from logger.ports.session import Message, Session, Taken
from logger.settings.values import MqttSettings

log = logging.getLogger(__name__)

V5, V311 = MQTTProtocolVersion.MQTTv5, MQTTProtocolVersion.MQTTv311

HELD_S = 30.0


class Subscriber(Protocol):
    """Somebody who reads one topic. Called from the connection's threads; must not block for long.

    Who reads none and only speaks has the topic "", and hears of every connection that opens.
    """

    topic: str

    def linked(self, why: str) -> None:
        """ "": messages come from now on, or can be sent; else why not."""

    def message(self, message: Message) -> None:
        """What came on the topic."""

    def look(self) -> None:
        """About twice a second while connected."""


class Broker:
    """``reopen_s``: first and longest wait before connecting again; ``status``: see `session.Session`.

    Thread-safe.
    """

    def __init__(
        self, settings: MqttSettings, *, reopen_s: tuple[float, float] = (0.5, 15.0), status: str = ""
    ) -> None:
        self.url = f"{'mqtts' if settings.tls else 'mqtt'}://{settings.host}:{settings.port}"
        self.shut_out = False  # the last try was refused in a way that only a person can mend
        self._settings = settings
        self._status = status
        self._backoff = Backoff(*reopen_s, 0.5, random.random)
        self._lock = threading.Lock()
        self._members: tuple[Subscriber, ...] = ()
        self._thread: threading.Thread | None = None
        self._stopping = threading.Event()
        self._session: Session | None = None
        self._protocol = V5
        self._brought = False  # whether this connection brought a message of now
        self._why: str | None = None  # why nothing comes; None while that is not known

    @property
    def alive(self) -> bool:
        """Whether its thread runs, however the connection stands."""
        return self._thread is not None and self._thread.is_alive()

    def join(self, member: Subscriber) -> None:
        """Read a topic from now on; returns at once."""
        with self._lock:
            self._members = (*self._members, member)
            session, why = self._session, self._why
            if self._thread is None:
                self._thread = threading.Thread(target=self._run, name="mqtt", daemon=True)
                self._thread.start()
        if why:
            member.linked(why)
        elif session is not None and session.accepted:
            if member.topic:
                session.subscribe([member.topic])
            else:
                member.linked("")

    def leave(self, member: Subscriber, timeout_s: float = 2.0) -> None:
        """Read it no more; the last one to leave ends the connection. Safe to call twice."""
        with self._lock:
            self._members = tuple(each for each in self._members if each is not member)
            thread, session = self._thread, self._session
            if self._members or thread is None:
                return
            self._stopping.set()
        if session is not None:
            session.end()
        thread.join(timeout_s)
        if thread.is_alive():
            log.warning("mqtt: the connection did not end within %.1f s; it ends by itself later", timeout_s)

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
        """Send at least once while the connection lasts; False where there is none, or too much waits.

        ``spare`` places in flight are left to others; ``taken`` hears the broker's reason code: see
        `session.Session.publish`.
        """
        session = self._session
        return session is not None and session.publish(
            topic, payload, correlation, retain=retain, spare=spare, taken=taken
        )

    @property
    def largest(self) -> int:
        """Bytes of the largest packet that the broker takes; 0: it sets no limit."""
        session = self._session
        return 0 if session is None else session.largest

    def _run(self) -> None:
        while not self._stopping.is_set():
            session = Session(
                self._settings, self._protocol, self._opened, self._granted, self._heard, self._status
            )
            with self._lock:
                self._session, self._why = session, None
            if self._stopping.is_set():
                return
            self._brought, begin_s = False, time.monotonic()
            try:
                why = session.run(self._look)
            except Exception as error:  # the thread must never die without a word
                log.exception("mqtt: unexpected trouble")
                why = f"{self.url}: {error}"
            self._lost(session, why, time.monotonic() - begin_s)

    def _lost(self, session: Session, why: str, lasted_s: float) -> None:
        with self._lock:
            self._why, self.shut_out = why, session.shut_out
        if self._stopping.is_set():
            return
        if self._brought or (session.accepted and lasted_s > HELD_S):
            self._backoff.mended()
        elif session.wrong_version:
            self._protocol = V311 if self._protocol == V5 else V5
            if self._protocol == V311:  # the other version may do: nothing to tell yet
                return
        for member in self._members:
            self._guarded_link(member, why)
        self._stopping.wait(self._backoff.wait_s())

    # ------------------------------------------------------------------ from paho's thread

    def _opened(self) -> list[str]:
        members = self._members
        for member in members:
            if not member.topic:
                self._guarded_link(member, "")
        return list(dict.fromkeys(member.topic for member in members if member.topic))

    def _granted(self, topic: str, why: str) -> None:
        for member in self._members:
            if member.topic == topic:
                self._guarded_link(member, why)

    def _heard(self, message: Message) -> None:
        self._brought = self._brought or not message.retained
        for member in self._members:
            if member.topic == message.topic:
                try:
                    member.message(message)
                except Exception:
                    log.exception("mqtt: a message on %s was taken by nobody", member.topic)

    def _look(self) -> None:
        for member in self._members:
            try:
                member.look()
            except Exception:
                log.exception("mqtt: unexpected trouble with %s", member.topic)

    def _guarded_link(self, member: Subscriber, why: str) -> None:
        try:
            member.linked(why)
        except Exception:
            log.exception("mqtt: unexpected trouble with %s", member.topic)
