"""Messages on their way to the broker, and what became of them, over one connection after another.

paho's thread tells what became of a message while it holds a lock of its own, so its word is only laid down
here, for the follower's thread to take up.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable, Iterator
from functools import partial
from typing import NamedTuple, TypeAlias

from logger.ports.broker import Broker

STATES_SPARE, EVENTS_SPARE = 4, 8
"""Places among the messages in flight that states leave to others (an answer to an action), and that events
do (an alarm's state). A broker may allow 20 in all."""
FROM_HERE_REFUSED = 128

Mark: TypeAlias = int
"""What a message is known by: the seq of an event; 0: a state, which its topic names."""


class Answer(NamedTuple):
    mark: Mark
    topic: str
    code: int

    @property
    def refused(self) -> bool:
        return self.code >= FROM_HERE_REFUSED


class Refusal(NamedTuple):
    """Why a topic is not taken, by MQTT 5.0, and when it is tried again."""

    code: int
    until_s: float


NOT_AUTHORISED, QUOTA, BAD_TOPIC, BAD_PAYLOAD = 135, 151, 144, 153
NEVER = {
    BAD_TOPIC: "the broker does not know such a topic",
    BAD_PAYLOAD: "the broker does not know such a payload",
}
"""Codes with which the very message is refused: the same again would be of no use."""
OVERHEAD = 16  # bytes of a packet beside topic and payload, at most (MQTT 5.0, 2.1 and 3.3)
TOO_LARGE = "larger than the broker takes"
WORDS = {
    NOT_AUTHORISED: ("it does not let this client publish {topic}", "see the broker's access list"),
    QUOTA: (
        "it says that a quota is used up, at {topic}",
        "see the broker's limits; it is tried again by itself",
    ),
}
OTHERWISE = (
    "it does not take {topic} (reason code {code})",
    "see the broker's log; it is tried again by itself",
)
LONG_S, SHORT_S = 60.0, 5.0


class Post:
    """``wake`` is called when there is an answer. ``rests_s``: how long a topic that is not authorised, and
    one refused otherwise, is left alone. One thread uses it."""

    def __init__(
        self, broker: Broker, wake: Callable[[], None], rests_s: tuple[float, float] = (LONG_S, SHORT_S)
    ) -> None:
        self._broker = broker
        self._wake = wake
        self._rests_s = rests_s
        self._connection = 0
        self._answers: deque[tuple[int, Answer]] = deque()
        self._refused: dict[str, Refusal] = {}
        self.bytes = 0

    def begin(self, connection: int) -> None:
        """A new connection: what went before over others is heard of no more."""
        self._connection = connection
        self._refused.clear()

    def fits(self, topic: str, payload: str) -> bool:
        """Whether the broker takes a packet of that size, going by what it said."""
        largest = self._broker.largest
        return largest == 0 or len(topic.encode()) + len(payload.encode()) + OVERHEAD <= largest

    def held(self, topic: str) -> bool:
        """Whether this topic was refused and is left alone for a while."""
        refused = self._refused.get(topic)
        return refused is not None and time.monotonic() < refused.until_s

    def send(self, mark: Mark, topic: str, payload: str, *, retain: bool) -> bool:
        """False: not now."""
        taken = partial(self._taken, self._connection, mark, topic)
        spare = STATES_SPARE if retain else EVENTS_SPARE
        if not self._broker.publish(topic, payload, retain=retain, spare=spare, taken=taken):
            return False
        self.bytes += len(payload)
        return True

    def _taken(self, connection: int, mark: Mark, topic: str, code: int) -> None:
        self._answers.append((connection, Answer(mark, topic, code)))
        self._wake()

    def answers(self) -> Iterator[Answer]:
        """What became of messages of this connection; each is told once."""
        while self._answers:
            connection, answer = self._answers.popleft()
            if connection != self._connection:
                continue
            if answer.refused and answer.code not in NEVER:
                rest_s = self._rests_s[0 if answer.code == NOT_AUTHORISED else 1]
                self._refused[answer.topic] = Refusal(answer.code, time.monotonic() + rest_s)
            else:
                self._refused.pop(answer.topic, None)
            yield answer

    @property
    def trouble(self) -> tuple[str, str, bool] | None:
        """What, what to do, and whether somebody must act, where the broker refuses a topic."""
        if not self._refused:
            return None
        topic, refusal = next(iter(self._refused.items()))
        what, do = WORDS.get(refusal.code, OTHERWISE)
        told = f"{self._broker.url}: {what.format(topic=topic, code=refusal.code)}"
        return told, do, refusal.code == NOT_AUTHORISED
