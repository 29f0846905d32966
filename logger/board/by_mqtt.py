"""Actions by MQTT: what comes on ROOT/act goes through the same door as the board's, and is answered.

The payload is the JSON of `POST /api/v1/actions`, the answer its answer, with the action's ``id`` where
it had one. It goes to the response topic of MQTT 5 with the correlation data that came, else to
ROOT/answer. A retained message is never taken: it would be said again at every connection.

Whoever may publish on that topic may act: it is for the broker's access list to say who. The program
watches; no action moves, stops or starts a machine.
"""

from __future__ import annotations

import contextlib
import json
import logging
import queue
import re
import threading
from collections.abc import Iterable
from typing import Any

from logger.board.desk import Desk
from logger.board.door import MOST_BODY, Heard, hear, too_long
from logger.board.problems import details, plain_json
from logger.ports.broker import Broker
from logger.ports.session import Message

log = logging.getLogger("tallydeck.board")

WHO = "mqtt"
MOST_WAITING = 64
MOST_CORRELATION = 256
_ANSWER_TOPIC = re.compile(r"[^\x00-\x1f\x7f+#$][^\x00-\x1f\x7f+#]{0,255}")


class ActionsByMqtt:
    """Takes actions from ``root/act``; a `ports.broker.Subscriber`.

    ``taken``: topics that no answer may go to, because instruments are read there. Below the root none goes
    but to ``root/answer`` and what lies below that.
    """

    def __init__(self, desk: Desk, broker: Broker, root: str, taken: Iterable[str] = ()) -> None:
        self.topic = f"{root}/act"
        self.answers = f"{root}/answer"
        self._root = f"{root}/"
        self._desk = desk
        self._broker = broker
        self._taken = frozenset((self.topic, *taken))
        self._waiting: queue.Queue[Message | None] = queue.Queue(MOST_WAITING)
        self._thread = threading.Thread(target=self._run, name="actions by mqtt", daemon=True)
        self._stopping = threading.Event()
        self._why: str | None = None

    def start(self) -> None:
        """Begin; returns at once."""
        self._thread.start()
        self._broker.join(self)

    def stop(self, timeout_s: float = 2.0) -> None:
        """Take no more; the one in hand is finished. Safe to call twice."""
        self._stopping.set()
        with contextlib.suppress(queue.Full):  # it is looked at after each one
            self._waiting.put_nowait(None)
        if self._thread.is_alive():
            self._thread.join(timeout_s)
        self._broker.leave(self, timeout_s)

    @property
    def listening(self) -> bool:
        """Whether the broker hands on what comes on the topic."""
        return self._why == ""

    # ------------------------------------------------------------------ from the broker

    def linked(self, why: str) -> None:
        if why != self._why:
            self._why = why
            log.log(
                logging.WARNING if why else logging.INFO,
                "mqtt: %s",
                f"no actions can be taken: {why}" if why else f"actions are taken from {self.topic}",
            )

    def message(self, message: Message) -> None:
        if self._stopping.is_set():
            return
        if message.retained:
            log.warning("mqtt: a retained message on %s is not taken as an action", self.topic)
            self._answer(message, _retained())
            return
        try:
            self._waiting.put_nowait(message)
        except queue.Full:
            self._answer(message, _busy())

    def look(self) -> None:
        pass

    # ------------------------------------------------------------------ its own thread

    def _run(self) -> None:
        while (message := self._waiting.get()) is not None and not self._stopping.is_set():
            try:
                heard = self._hear(message)
            except Exception:
                log.exception("mqtt: an action failed inside the daemon")
                heard = _failed()
            self._answer(message, heard)

    def _hear(self, message: Message) -> Heard:
        if len(message.payload) > MOST_BODY:
            return too_long()
        return hear(self._desk, message.payload, WHO)

    def _own(self, topic: str) -> bool:
        """Whether the daemon itself speaks there: an answer must not pass for its word."""
        return topic.startswith(self._root) and not topic.startswith(f"{self.answers}/")

    def _answer(self, message: Message, heard: Heard) -> None:
        topic = message.answer_to
        if not _ANSWER_TOPIC.fullmatch(topic) or topic in self._taken or self._own(topic):
            topic = self.answers
        body = heard.body | _id_of(message.payload)
        if not self._broker.publish(topic, plain_json(body), message.correlation[:MOST_CORRELATION]):
            log.warning("mqtt: the answer to an action (%d) could not be sent", heard.status)


def _id_of(payload: bytes) -> dict[str, Any]:
    """The action's own id, so that who reads the common topic knows its answer."""
    try:
        action = json.loads(payload[:MOST_BODY])
    except (ValueError, RecursionError):
        return {}
    told = action.get("id") if isinstance(action, dict) else None
    return {"id": told[:80]} if isinstance(told, str) and told else {}


def _problem(status: int, detail: str, do: str, code: str) -> Heard:
    return Heard(status, details(status, detail, do, code=code))


def _retained() -> Heard:
    return _problem(
        409,
        "A retained message is not taken as an action.",
        "Clear it at the broker, and send the action without the retain flag.",
        "retained",
    )


def _busy() -> Heard:
    return _problem(
        503,
        f"{MOST_WAITING} actions are waiting already; this one was not taken.",
        "Send it again a little later, with the same id.",
        "too-many-actions",
    )


def _failed() -> Heard:
    return _problem(
        500,
        "The action failed inside the daemon.",
        "The daemon's log says more; recording goes on.",
        "failed",
    )
