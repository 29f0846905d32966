"""Invented instruments that nobody described, and a wire that garbles where the settings are wrong.

A `Bench` is a wire without a wire: time is a number that `take` moves on, and what the instrument says
goes through the UART model with the settings of the opening. The same instruments talk on ptys in
`test_finding_on_ptys`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from logger.ports.finding import Setting

from .uart import Framing, garbled

Frames = Callable[[int], bytes]
"""The n-th line that the instrument prints, its end included."""


def weights(number: int) -> tuple[int, bool]:
    """(steps of the n-th reading, whether it moves): rests for five readings, climbs for five."""
    cycle, place = divmod(number, 10)
    climbing = place >= 5
    return 200 + cycle * 37 + (7 * (place - 4) if climbing else 0), climbing


@dataclass(frozen=True)
class Stranger:
    """An instrument. ``request`` empty: it sends every ``every_s`` by itself."""

    name: str
    setting: Framing
    frames: Frames
    request: bytes = b""
    every_s: float = 0.2
    error: bytes = b""  # what it answers to a line it does not know


class Bench:
    """Opens wires to one stranger; counts what was sent."""

    def __init__(self, stranger: Stranger, settings: bool = True) -> None:
        self.stranger = stranger
        self.settings = settings
        self.now_s = 0.0
        self.said = 0
        self.sent: list[bytes] = []

    def now(self) -> float:
        return self.now_s

    def open(self, setting: Setting) -> Opened:
        return Opened(self, setting if setting is not None else self.stranger.setting)


class Opened:
    """A `ports.ear.Line` on the bench."""

    def __init__(self, bench: Bench, setting: Framing) -> None:
        self._bench = bench
        self._setting = setting
        self._errors = 0
        self._answers: list[tuple[float, bytes]] = []
        self._heard = b""
        every_s = bench.stranger.every_s  # the instrument talks on while nobody listens
        self._next_s = (bench.now_s // every_s + 1) * every_s

    def take(self, timeout_s: float) -> bytes:
        bench, who = self._bench, self._bench.stranger
        until_s = bench.now_s + timeout_s
        if self._answers and self._answers[0][0] <= until_s:
            at_s, data = self._answers.pop(0)
            bench.now_s = max(bench.now_s, at_s)
            return data
        if not who.request and self._next_s <= until_s:
            bench.now_s = max(bench.now_s, self._next_s)
            self._next_s += who.every_s
            return self._through(who.frames(self._count()))
        bench.now_s = until_s + 1e-6
        return b""

    def _count(self) -> int:
        self._bench.said += 1
        return self._bench.said - 1

    def _through(self, data: bytes) -> bytes:
        got, errors = garbled(data, self._bench.stranger.setting, self._setting)
        self._errors += errors
        return got

    def write(self, data: bytes) -> None:
        bench, who = self._bench, self._bench.stranger
        bench.sent.append(data)
        self._heard += garbled(data, self._setting, who.setting)[0]
        if who.request and who.request in self._heard:
            self._heard = b""
            self._answers.append((bench.now_s + 0.03, self._through(who.frames(self._count()))))
        elif who.error and (b"\r" in self._heard or b"\n" in self._heard):
            self._heard = b""
            self._answers.append((bench.now_s + 0.03, self._through(who.error)))

    def errors(self) -> int:
        return self._errors

    def close(self) -> None:
        pass


def _kg(number: int, decimals: int = 3, step: int = 5) -> str:
    return f"{weights(number)[0] * step / 10**decimals:.{decimals}f}"


def _moving(number: int) -> bool:
    return weights(number)[1]


def _sma(n: int) -> bytes:
    return f"\n 1G{'M' if _moving(n) else ' '} {_kg(n):>10}kg \r".encode()


def _word(n: int, moving: str, rest: str) -> str:
    return moving if _moving(n) else rest


def _three(n: int) -> str:
    """Gross, tare and net in one line."""
    return f"G{weights(n)[0] * 5 / 1000 + 0.75:9.3f}kg T{0.75:9.3f}kg N{_kg(n):>9}kg\r\n"


LINES: dict[str, Callable[[int], str]] = {
    "padded with words": lambda n: f"{_word(n, 'US', 'ST')},GS,+{_kg(n):>8} kg\r\n",
    "even parity, slow, a motion mark": lambda n: f"{_word(n, 'M', ' ')}{_kg(n):>9} kg\r\n",
    "odd parity, zeros, CR": lambda n: f"W{_kg(n):0>9}lb\r",
    "two stop bits, comma": lambda n: f"{_kg(n).replace('.', ','):>10} kg {_word(n, 'D', 'S')}\r\n",
    "eight bits and parity, fast": lambda n: f"{_kg(n, 1)} g\r\n",
    "STX, ETX, CR": lambda n: f"\x02{_word(n, '?', ' ')}{_kg(n, 2):>8}lb\x03\r",
    "gross, tare, net": _three,
    "a count before it": lambda n: f"{n:05d} {_kg(n):>9} kg {_word(n, 'XQ', 'KV')}\r\n",
    "flow, LF alone": lambda n: f"FLOW {_kg(n, 2):>7} L/min\n",
    "asked by a letter": lambda n: f"{_word(n, 'D', 'S')} {_kg(n):>8} kg\r\n",
    "asked by ENQ": lambda n: f"+{_kg(n, 2):0>8}g\r\n",
}


def _stranger(name: str, baud: int, framing: str, request: bytes = b"", every_s: float = 0.2) -> Stranger:
    line = LINES[name]
    return Stranger(name, (baud, framing), lambda n: line(n).encode(), request, every_s)


STRANGERS = [
    _stranger("padded with words", 9600, "8N1"),
    _stranger("even parity, slow, a motion mark", 2400, "7E1"),
    _stranger("odd parity, zeros, CR", 4800, "7O1"),
    _stranger("two stop bits, comma", 1200, "7N2", every_s=0.5),
    _stranger("eight bits and parity, fast", 38400, "8E1", every_s=0.1),
    _stranger("STX, ETX, CR", 19200, "8N1"),
    _stranger("gross, tare, net", 57600, "8N1"),
    _stranger("a count before it", 115200, "8N1"),
    _stranger("flow, LF alone", 9600, "8N2"),
    _stranger("asked by a letter", 2400, "7E1", b"P\r\n"),
    _stranger("asked by ENQ", 19200, "8N1", b"\x05"),
    Stranger("asked, SMA", (9600, "8N1"), _sma, request=b"\nW\r", error=b"\n?\r"),
    Stranger("asked, SMA, even parity", (1200, "7E1"), _sma, request=b"\nW\r"),
    Stranger("SMA by itself", (4800, "8N1"), _sma),
]
BY_NAME = {stranger.name: stranger for stranger in STRANGERS}
