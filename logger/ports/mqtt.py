"""An instrument whose readings come by MQTT.

What the broker kept from before (a retained message) is of unknown age: it goes into the record as
Garbage of reason ``retained`` and is never taken for a reading of now. A message that comes twice is
two equal readings, which harms nothing, since a reading is a level and no increment. More than 500
messages a second are no scale: the surplus is counted and dropped (`ports.flood`).
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable

from logger.core.decode.message import MAX_MESSAGE, MessageDecoder
from logger.core.entries import Circumstance, Garbage, Reading
from logger.ports.broker import Broker
from logger.ports.contract import Now, PortHealth, Put
from logger.ports.flood import FloodGate, Surge
from logger.ports.session import Message

MOST_A_SECOND = 500
FLOODED_NS = 2 * 10**9  # how long after the last surplus it is still spoken of
QUIET_S = 2.0  # after which a topic on which nothing has come yet is remarked on


class MqttPort:
    """See `ports.contract.Port`; also a `broker.Subscriber`. The connection is the broker's."""

    def __init__(  # noqa: PLR0917 - what a port is made of, in the order of the way in
        self,
        name: str,
        topic: str,
        decoder: MessageDecoder,
        broker: Broker,
        put: Put,
        now: Now,
        *,
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        self.name = name
        self.topic = topic
        self._url = f"{broker.url}/{topic}"
        self._decoder = decoder
        self._broker = broker
        self._put = put
        self._now = now
        self._monotonic = monotonic
        self._gate = FloodGate(decoder.channel)
        self._surge = Surge(MOST_A_SECOND)
        self.handing = threading.RLock()  # health is asked while it is held
        self._running = False
        self._link = "starting"
        self._message = ""
        self._since_s = 0.0
        self._flooded_ns = -FLOODED_NS
        self._opened = self._bytes_in = self._frames = self._rejected = self._last_item_ns = 0

    def start(self) -> None:
        """Begin; returns at once."""
        self._running = True
        self._broker.join(self)

    def stop(self, timeout_s: float = 2.0) -> None:
        """Read no more; safe to call twice."""
        with self.handing:
            if self._running:
                self._running = False
                self._hand_on(*self._gate.flush(self._now()))
                self._link = "down"  # not told: a port that was stopped is no loss
        self._broker.leave(self, timeout_s)

    @property
    def alive(self) -> bool:
        return self._running and self._broker.alive

    def health(self) -> PortHealth:
        with self.handing:
            return PortHealth(
                self.name,
                self._url,
                self._link,
                self._message or self._quiet(),
                self._opened,
                self._bytes_in,
                self._frames,
                self._rejected,
                self._last_item_ns,
            )

    def _quiet(self) -> str:
        if self._link != "up" or self._frames or self._monotonic() - self._since_s < QUIET_S:
            return ""
        return (
            f"{self._url}: nothing has come on this topic yet; check its spelling, and that the sender is on"
        )

    # ------------------------------------------------------------------ from the broker

    def linked(self, why: str) -> None:
        with self.handing:
            state = "down" if why else "up"
            if not self._running:
                return
            self._message = why
            if state == self._link:
                return
            self._link = state
            if state == "up":
                self._opened += 1
                self._since_s = self._monotonic()
            at_ns = self._now()
            self._hand_on(*self._gate.flush(at_ns))
            data = {"state": state, "why": why or "subscribed", "url": self._url}
            self._put(Circumstance(at_ns, "link", self.name, data))

    def message(self, message: Message) -> None:
        with self.handing:
            if not self._running:
                return
            at_ns = self._now()
            payload = message.payload
            self._bytes_in += len(payload)
            if not self._surge.room(at_ns, 1):
                self._flooded_ns = at_ns
                self._message = (
                    f"{self._url}: more than {MOST_A_SECOND} messages a second, which no scale sends; the "
                    "surplus is counted and dropped; check the sender"
                )
                self._hand_on(*self._gate.gather(payload, at_ns))
                return
            if message.retained:
                item: Reading | Garbage = Garbage(
                    at_ns, self._decoder.channel, payload[:MAX_MESSAGE], "retained"
                )
            else:
                item = self._decoder.read(payload, at_ns)
            if isinstance(item, Reading):
                if at_ns - self._flooded_ns > FLOODED_NS:
                    self._message = ""
                self._hand_on(item)
            else:
                self._message = f"{self._url}: {_why_not(item.reason)}"
                self._hand_on(*self._gate.take(item))

    def look(self) -> None:
        with self.handing:
            if self._running:
                self._hand_on(*self._gate.due(self._now()))

    def _hand_on(self, *items: Reading | Garbage) -> None:
        for item in items:
            if isinstance(item, Garbage):
                self._rejected += 1
            else:
                self._frames += 1
            self._last_item_ns = item.at_ns
            self._put(item)


def _why_not(reason: str) -> str:
    if reason == "retained":
        return (
            "only an old message that the broker kept has come, which is not taken for a reading; "
            "check that the sender is on"
        )
    return f"the last message can't be read ({reason}); compare it with the description of its fields"
