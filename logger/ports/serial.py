"""One thread a wire: opens it, asks as the exchange says, stamps what arrives, and hands it on.

A wire that breaks is closed at once and opened again: at once when its device reappears, else after
0.25 s, 0.5 s and so on up to 8 s. Only a wire that delivered something counts as mended, so one that
opens and breaks again does not flap four times a second. Each change is told once, as a Circumstance.
"""

from __future__ import annotations

import logging
import os
import random
import select
import threading
import time
from collections.abc import Callable, Iterable
from pathlib import Path

from logger.core.decode.contract import Decoder, Exchange
from logger.core.entries import Circumstance, Garbage, Reading
from logger.ports.contract import Now, PortHealth, Put
from logger.ports.flood import FloodGate
from logger.ports.schedule import Backoff, Schedule
from logger.ports.wire import Settings, Wire, WireError, check_url, explain, open_wire

log = logging.getLogger(__name__)

LOOK_S = 1.0  # how often a quiet wire is looked at
GLANCE_S = 0.25  # how often, while waiting, whether the device has reappeared


class SerialPort:
    """A scale or meter on a serial device, a TCP connection or a serial server. See `ports.contract.Port`.

    ``url`` is a device path (best one under /dev/serial/by-id), ``socket://host:port`` for a plain TCP
    port, or ``rfc2217://host:port`` for a server that sets the line as told here. ``dtr`` and
    ``rts`` are set while opening where they are told, because raised lines may reset a board behind
    them; the system itself may raise them for a moment before that.
    ``reopen_s``: first and longest wait before opening again; ``reopen_jitter``: share of it that is
    random, so that many ports don't knock together. ValueError where a setting is impossible.
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
        check_url(url)
        self.name = name
        self._url = url
        self._settings = Settings(baud, data_bits, parity, stop_bits, dtr, rts)
        self._decoder = decoder
        self._exchange = exchange
        self._put = put
        self._now = now
        self._backoff = Backoff(*reopen_s, reopen_jitter, random.random)
        self._monotonic = monotonic
        self._gate = FloodGate(decoder.channel)
        self._thread: threading.Thread | None = None
        self._stopping = threading.Event()
        self._waking = threading.Lock()
        self._wake: tuple[int, int] | None = None
        self._link = "starting"
        self._message = ""
        self._opened = self._bytes_in = self._frames = self._rejected = self._last_item_ns = 0

    def start(self) -> None:
        """Begin; returns at once. RuntimeError where it was started before."""
        if self._thread is not None:
            raise RuntimeError(f"port {self.name} was started before; make a new one")
        self._wake = os.pipe()
        self._thread = threading.Thread(target=self._run, name=f"port {self.name}", daemon=True)
        self._thread.start()

    def stop(self, timeout_s: float = 2.0) -> None:
        """End the thread and close the wire; safe to call twice."""
        self._stopping.set()
        if self._thread is None:
            return
        with self._waking:
            if self._wake is not None:
                os.write(self._wake[1], b"x")
        self._thread.join(timeout_s)
        if self._thread.is_alive():
            log.warning("port %s did not end within %.1f s; it ends by itself later", self.name, timeout_s)

    @property
    def alive(self) -> bool:
        return self._thread is not None and self._thread.is_alive()

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

    def _run(self) -> None:
        while not self._stopping.is_set():
            seen = self._frames
            try:
                self._session()
            except WireError as error:
                self._lost(str(error.strerror))
            except Exception as error:  # a port's thread must never die without a word
                log.exception("port %s: unexpected trouble", self.name)
                self._lost(explain(error, self._url))
            if self._frames > seen:
                self._backoff.mended()
            self._rest(self._backoff.wait_s())
        self._link = "down"  # not told: a port that was stopped is no loss
        with self._waking:
            for end in self._wake or ():
                os.close(end)
            self._wake = None

    def _session(self) -> None:
        """From opening the wire to its end. Returns when the port is to stop; WireError on loss."""
        wire = open_wire(self._url, self._settings)
        try:
            if self._stopping.is_set():  # connecting may outlast the patience of stop()
                return
            assert self._wake is not None  # noqa: S101 - for the type checker; start() made it
            wire.agree(self._wake[0])
            if self._stopping.is_set():
                return
            self._opened += 1
            self._tell("up", "opened")
            self._serve(wire)
        finally:
            wire.close()

    def _serve(self, wire: Wire) -> None:
        assert self._wake is not None  # noqa: S101 - for the type checker; start() made it
        poller = select.poll()
        poller.register(wire.fd, select.POLLIN)
        poller.register(self._wake[0], select.POLLIN)
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
                items = self._decoder.feed(data, at_ns)
                schedule.heard(now_s, bool(items))
                self._hand_on(items)
            if now_s >= look_s:
                look_s = now_s + LOOK_S
                self._hand_on(self._gate.due(self._now()), gated=True)
                if wire.leads_elsewhere():
                    raise WireError(
                        0, f"{self._url}: the name leads to another device now; it is opened anew"
                    )
        self._leave(wire)

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
            if isinstance(item, Garbage):
                self._rejected += 1
            else:
                self._frames += 1
            self._last_item_ns = item.at_ns
            self._put(item)

    def _rest(self, wait_s: float) -> None:
        """Wait before opening again, or until the device reappears."""
        until_s = self._monotonic() + wait_s
        before = _identity(self._url)
        while (left_s := until_s - self._monotonic()) > 0:
            if self._stopping.wait(min(left_s, GLANCE_S)):
                return
            now = _identity(self._url)
            if now is not None and now != before:
                self._backoff.mended()
                return
            before = now


def _identity(url: str) -> tuple[int, int] | None:
    """What stands at a device path now; None for nothing there, and for what is no path."""
    try:
        found = Path(url).stat()
    except OSError:
        return None
    return found.st_ino, found.st_rdev
