"""A Modbus bus: one wire, one thread, several instruments, one question at a time.

A bus differs from a port in that the wire's being open says nothing of an instrument: its link is up once
it has answered, and down after three questions without an answer, when it refuses its register, or when the
wire is lost. Opening, losing and opening again are `ports.keeper`'s, whose turn it is `ports.turns`'.
"""

from __future__ import annotations

import random
import select
import threading
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from math import inf

from logger.core.decode.registers import RegisterFormat
from logger.core.entries import Circumstance, Garbage, Reading
from logger.ports.contract import Now, PortHealth, Put
from logger.ports.flood import FloodGate
from logger.ports.frames import Answer, Frames, Question
from logger.ports.keeper import WireKeeper
from logger.ports.refusals import GATEWAY, PASSING, refusal, silence
from logger.ports.schedule import Backoff
from logger.ports.turns import MISSED, Turn, Turns
from logger.ports.wire import Settings, Wire

LOOK_S = 1.0  # how often a quiet wire is looked at
BITS = 11  # of a character on the line: start, eight, parity or a second stop, stop


@dataclass(frozen=True, slots=True)
class Asked:
    """An instrument on the bus: what is asked of which device, how often, and what the answer means."""

    name: str
    question: Question
    format: RegisterFormat
    interval_s: float = 0.2
    timeout_s: float = 0.3


@dataclass(slots=True, eq=False)
class _Line:
    """What is kept of one instrument."""

    asked: Asked
    gate: FloodGate
    link: str = "starting"
    message: str = ""
    bytes_in: int = 0
    frames: int = 0
    rejected: int = 0
    last_item_ns: int = 0


class ModbusBus(WireKeeper):
    """The bus. Each instrument's `Port` is had from `ports`; the first that starts opens the wire.

    ``framing`` is ``rtu`` or ``tcp``; on a serial device the line settings are those of all devices on it.
    """

    def __init__(
        self,
        url: str,
        framing: str,
        instruments: Sequence[Asked],
        put: Put,
        now: Now,
        *,
        baud: int = 9600,
        data_bits: int = 8,
        parity: str = "N",
        stop_bits: float = 1,
        silent_s: tuple[float, float] = (0.25, 8.0),
        reopen_s: tuple[float, float] = (0.25, 8.0),
        reopen_jitter: float = 0.1,
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        settings = Settings(baud, data_bits, parity, stop_bits)
        super().__init__(
            url, url, settings, reopen_s=reopen_s, reopen_jitter=reopen_jitter, monotonic=monotonic
        )
        self._put = put
        self._now = now
        self._frames = Frames(framing)
        self._lines = {each.name: _Line(each, FloodGate(each.name)) for each in instruments}
        self._turns = Turns(
            ((each.name, each.question.device, each.interval_s, each.timeout_s) for each in instruments),
            framing == "tcp",
            lambda: Backoff(*silent_s, 0.0, random.random),
        )
        # A serial line needs its time for every character, and 3.5 of silence between two frames (MODBUS over
        # Serial Line V1.02, 2.5.1.1; above 19200 baud 1.75 ms).
        serial = not url.startswith("socket://")
        self._char_s = BITS / baud if serial else 0.0
        self._gap_s = (max(3.5 * self._char_s, 0.00175) if baud <= 19200 else 0.00175) if serial else 0.0
        self._open: Turn | None = None  # whose question is on the wire
        self._last = next(iter(self._lines.values()))  # whose was the last one
        self._deadline_s = self._quiet_s = 0.0
        self._using = threading.Lock()
        self.handing = threading.Lock()
        self._joined: set[str] = set()
        self._users: set[str] = set()  # those that joined and have not left
        self.ports = tuple(ModbusPort(self, each.name) for each in instruments)

    # ------------------------------------------------------------------ for the ports

    def join(self, name: str) -> None:
        """An instrument's port starts."""
        with self._using:
            if name in self._joined:
                raise RuntimeError(f"port {name} was started before; make a new one")
            self._joined.add(name)
            self._users.add(name)
            if self._thread is None:
                self.start()

    def leave(self, name: str, timeout_s: float) -> None:
        """An instrument's port ends; with the last one the bus does."""
        with self._using:
            last = self._users <= {name}
        if last:
            self.stop(timeout_s)
        with self._using:
            self._users.discard(name)

    def health(self, name: str) -> PortHealth:
        line = self._lines[name]
        left = name in self._joined and name not in self._users
        return PortHealth(
            name,
            self._url,
            "down" if left else line.link,
            line.message,
            self._opened,
            line.bytes_in,
            line.frames,
            line.rejected,
            line.last_item_ns,
        )

    # ------------------------------------------------------------------ the thread

    def _begun(self) -> None:
        self._open = None
        self._turns.begin(self._monotonic())

    def _delivered(self) -> int:
        return sum(line.frames for line in self._lines.values())

    def _ended(self) -> None:
        for line in self._lines.values():
            line.link = "down"  # not told: a port that was stopped is no loss

    def _serve(self, wire: Wire, wake_fd: int) -> None:
        poller = select.poll()
        poller.register(wire.fd, select.POLLIN)
        poller.register(wake_fd, select.POLLIN)
        look_s = self._monotonic() + LOOK_S
        while not self._stopping.is_set():
            now_s = self._monotonic()
            until_s = min(self._ask(wire, now_s), look_s)
            ready = dict(poller.poll(max(0.0, until_s - now_s) * 1000 + 0.999))
            now_s = self._monotonic()
            if wire.fd in ready and (data := wire.read()):
                self._quiet_s = now_s + self._gap_s
                self._heard(data, now_s)
            if self._open is not None and now_s >= self._deadline_s:
                self._missed(self._open, now_s)
            if now_s >= look_s:
                look_s = now_s + LOOK_S
                for line in self._lines.values():
                    self._pass(line, line.gate.due(self._now()))
                self._look(wire)
        self._let_go()

    def _ask(self, wire: Wire, now_s: float) -> float:
        """Ask whoever's turn it is, unless a question is open; give the time when there is more to do."""
        if self._open is None:
            turn = self._turns.next(self._users)
            if turn is None:
                return inf
            # Between frames the line is to be quiet; one that never is must not keep us from asking.
            due_s = max(turn.due_s, min(self._quiet_s, turn.due_s + turn.timeout_s))
            if due_s > now_s:
                return due_s
            line = self._last = self._lines[turn.name]
            request = self._frames.ask(line.asked.question)
            wire.write(request)
            self._turns.sent(turn, now_s)
            self._open = turn
            sending_s = (len(request) + line.asked.question.size + 5) * self._char_s
            self._deadline_s = now_s + sending_s + turn.timeout_s
        return self._deadline_s

    def _heard(self, data: bytes, now_s: float) -> None:
        turn = self._open
        self._last.bytes_in += len(data)
        if turn is None:
            self._turns.stray(now_s)
            self._reject(self._last, data, "stray")
            return
        answer = self._frames.hear(data)
        self._reject(self._last, self._frames.shed(), "noise")
        if answer is None:
            return
        self._open = None
        self._reject(self._last, self._frames.forget(), "noise")
        if answer.exception:
            self._refused(turn, answer, now_s)
        elif self._turns.answered(turn, now_s):
            self._tell(self._last, "up", "answered")
            self._hand_on(self._last, self._last.asked.format.read(answer.data, self._now(), turn.name))
        else:
            self._reject(self._last, answer.raw, "late")

    def _missed(self, turn: Turn, now_s: float) -> None:
        """No answer came in time."""
        self._open = None
        self._reject(self._last, self._frames.forget(), "no-answer")
        self._silent(turn, silence(self._url, self._last.asked.question, turn.timeout_s), now_s)

    def _refused(self, turn: Turn, answer: Answer, now_s: float) -> None:
        """The device, or the gateway before it, answered with an exception."""
        line, code = self._lines[turn.name], answer.exception
        self._reject(line, answer.raw, f"exception-{code}")
        why = refusal(self._url, line.asked.question, code)
        if code in GATEWAY:
            self._silent(turn, why, now_s)
            return
        if self._turns.was_refused(turn, now_s) and (code not in PASSING or turn.refused >= MISSED):
            self._tell(line, "down", why)

    def _silent(self, turn: Turn, why: str, now_s: float) -> None:
        self._turns.was_missed(turn, now_s)
        if turn.device.dead:
            for each in turn.device.turns:
                self._tell(self._lines[each.name], "down", why)

    def _lost(self, why: str) -> None:
        self._let_go()
        for line in self._lines.values():
            self._tell(line, "down", why)

    def _let_go(self) -> None:
        self._reject(self._last, self._frames.forget(), "cut-off")
        for line in self._lines.values():
            self._pass(line, line.gate.flush(self._now()))

    # ------------------------------------------------------------------ handing on

    def _tell(self, line: _Line, state: str, why: str) -> None:
        if state == "down":
            line.message = why
        if state == line.link or line.asked.name not in self._users:
            return
        if state == "up":
            line.message = ""  # the trouble is over
        line.link = state
        data = {"state": state, "why": why, "url": self._url}
        line.last_item_ns = self._now()
        self._put(Circumstance(line.last_item_ns, "link", line.asked.name, data))

    def _reject(self, line: _Line, data: bytes, reason: str) -> None:
        if data:
            self._hand_on(line, Garbage(self._now(), line.asked.name, data, reason))

    def _hand_on(self, line: _Line, item: Reading | Garbage) -> None:
        self._pass(line, line.gate.take(item) if isinstance(item, Garbage) else (item,))

    def _pass(self, line: _Line, items: Iterable[Reading | Garbage]) -> None:
        for item in items:
            if line.asked.name not in self._users:
                continue
            with self.handing:
                if isinstance(item, Garbage):
                    line.rejected += 1
                else:
                    line.frames += 1
                line.last_item_ns = item.at_ns
                self._put(item)


class ModbusPort:
    """One instrument on a bus. See `ports.contract.Port`."""

    def __init__(self, bus: ModbusBus, name: str) -> None:
        self.name = name
        self._bus = bus
        self.handing = bus.handing

    def start(self) -> None:
        """Begin; returns at once. RuntimeError where it was started before."""
        self._bus.join(self.name)

    def stop(self, timeout_s: float = 2.0) -> None:
        """Ask it no more; the last one on the bus closes the wire. Safe to call twice."""
        self._bus.leave(self.name, timeout_s)

    def health(self) -> PortHealth:
        return self._bus.health(self.name)

    @property
    def alive(self) -> bool:
        return self._bus.alive
