"""One thread a wire: opens it, asks as the exchange says, stamps what arrives, and hands it on.

Opening, losing and opening again are `ports.keeper`'s. Each change is told once, as a Circumstance.
"""

from __future__ import annotations

import select
import threading
import time
from collections.abc import Callable, Iterable

from logger.core.decode.contract import Decoder, Exchange
from logger.core.entries import Circumstance, Garbage, Reading
from logger.ports.contract import Now, PortHealth, Put
from logger.ports.flood import FloodGate, Surge
from logger.ports.keeper import WireKeeper
from logger.ports.schedule import Schedule
from logger.ports.wire import Settings, Wire, WireError

LOOK_S = 1.0  # how often a quiet wire is looked at
MOST_BYTES_S = 64 * 1024  # 460,800 baud bring 46,080 bytes a second
PAUSE_S = 0.005  # between two handfuls of a flood, so that it can't take the computer's time
HANDFUL = 64  # reads
CALM_S = 2.0  # after which a flood is over


class SerialPort(WireKeeper):
    """A scale or meter on a serial device, a TCP connection or a serial server. See `ports.contract.Port`.

    ``url`` is a device path (best one under /dev/serial/by-id), ``socket://host:port`` for a plain TCP
    port, or ``rfc2217://host:port`` for a server that sets the line as told here. ``dtr`` and
    ``rts`` are set while opening where they are told, because raised lines may reset a board behind
    them; the system itself may raise them for a moment before that. The rest is `WireKeeper`'s.
    """

    def __init__(  # noqa: PLR0917 - what a port is made of, in the order of the way in
        self,
        name: str,
        url: str,
        decoder: Decoder,
        exchange: Exchange,
        put: Put,
        now: Now,
        *,
        baud: int = 9600,
        data_bits: int = 8,
        parity: str = "N",
        stop_bits: float = 1,
        dtr: bool | None = None,
        rts: bool | None = None,
        reopen_s: tuple[float, float] = (0.25, 8.0),
        reopen_jitter: float = 0.1,
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        settings = Settings(baud, data_bits, parity, stop_bits, dtr, rts)
        super().__init__(
            name, url, settings, reopen_s=reopen_s, reopen_jitter=reopen_jitter, monotonic=monotonic
        )
        self._decoder = decoder
        self._exchange = exchange
        self._put = put
        self._now = now
        self._gate = FloodGate(decoder.channel)
        self._surge = Surge(MOST_BYTES_S)
        self._flooded_s: float | None = None
        self.handing = threading.Lock()
        self._link = "starting"
        self._message = ""
        self._bytes_in = self._frames = self._rejected = self._last_item_ns = 0

    def health(self) -> PortHealth:
        return PortHealth(
            self.name,
            self._url,
            self._link,
            self._message,
            self._opened,
            self._bytes_in,
            self._frames,
            self._rejected,
            self._last_item_ns,
        )

    def _begun(self) -> None:
        self._tell("up", "opened")

    def _delivered(self) -> int:
        return self._frames

    def _ended(self) -> None:
        self._link = "down"  # not told: a port that was stopped is no loss

    def _serve(self, wire: Wire, wake_fd: int) -> None:
        poller = select.poll()
        poller.register(wire.fd, select.POLLIN)
        poller.register(wake_fd, select.POLLIN)
        schedule = Schedule(self._exchange, self._monotonic())
        look_s = self._monotonic() + LOOK_S
        while not self._stopping.is_set():
            now_s = self._monotonic()
            self._cut_stale(schedule, now_s)
            wire.write(schedule.due(now_s))
            until_s = min(schedule.next_s(), look_s)
            ready = dict(poller.poll(max(0.0, until_s - now_s) * 1000 + 1))
            now_s = self._monotonic()
            if wire.fd in ready and (data := wire.read()):
                self._cut_stale(schedule, now_s)
                self._bytes_in += len(data)
                at_ns = self._now()
                if self._surge.room(int(now_s * 1e9), len(data)):
                    items = self._decoder.feed(data, at_ns)
                    schedule.heard(now_s, bool(items))
                    self._hand_on(items)
                else:
                    schedule.heard(now_s, False)
                    self._drop(wire, data, at_ns)
            if now_s >= look_s:
                look_s = now_s + LOOK_S
                self._hand_on(self._gate.due(self._now()), gated=True)
                self._calm_down(now_s)
                self._look(wire)
        self._leave(wire)

    def _drop(self, wire: Wire, data: bytes, at_ns: int) -> None:
        """More comes than any instrument sends: count it, and take what is pending for cut off.

        Left where it is, it would be read when it is old, and be taken for new.
        """
        self._flooded_s = self._monotonic()
        self._message = (
            f"{self._url}: more than {MOST_BYTES_S // 1024} kB come in a second, which no scale sends; the "
            "surplus is counted and dropped; check what is plugged in there"
        )
        self._hand_on(self._decoder.reset(at_ns))
        for _ in range(HANDFUL):
            self._hand_on(self._gate.gather(data, at_ns), gated=True)
            data = wire.read()
            self._bytes_in += len(data)
            if not data:
                break
        else:
            self._hand_on(self._gate.gather(data, at_ns), gated=True)
        self._stopping.wait(PAUSE_S)

    def _calm_down(self, now_s: float) -> None:
        if self._flooded_s is not None and now_s - self._flooded_s > CALM_S:
            self._flooded_s, self._message = None, ""

    def _cut_stale(self, schedule: Schedule, now_s: float) -> None:
        """What is pending after a time-out must not be completed by the answer to another question."""
        if self._decoder.pending and schedule.stale(now_s):
            self._hand_on(self._decoder.reset(self._now()))

    def _leave(self, wire: Wire) -> None:
        """A clean end: say the word that stops the stream, hand on what was pending."""
        try:
            wire.write(self._exchange.stop)
        except WireError:
            pass
        self._let_go()

    def _lost(self, why: str) -> None:
        self._let_go()
        self._message = why
        self._tell("down", why)

    def _let_go(self) -> None:
        at_ns = self._now()
        self._hand_on(self._decoder.reset(at_ns))
        self._hand_on(self._gate.flush(at_ns), gated=True)

    def _tell(self, state: str, why: str) -> None:
        if state == self._link:
            return
        if state == "up":
            self._message = ""  # the trouble is over
        self._link = state
        at_ns = self._now()
        self._last_item_ns = at_ns
        data = {"state": state, "why": why, "url": self._url}
        self._put(Circumstance(at_ns, "link", self.name, data))

    def _hand_on(self, items: Iterable[Reading | Garbage], gated: bool = False) -> None:
        for item in items:
            if isinstance(item, Garbage) and not gated:
                self._hand_on(self._gate.take(item), gated=True)
                continue
            with self.handing:
                if isinstance(item, Garbage):
                    self._rejected += 1
                else:
                    self._frames += 1
                self._last_item_ns = item.at_ns
                self._put(item)
