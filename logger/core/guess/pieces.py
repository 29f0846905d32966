"""What a listener is shown: bytes by the piece, each with what the dialects make of it."""

from __future__ import annotations

from dataclasses import dataclass

from logger.core.decode.layout import LineFormat
from logger.core.decode.line import LineDecoder
from logger.core.decode.number import write_number
from logger.core.decode.sma import SmaDecoder
from logger.core.entries import Garbage, Reading
from logger.core.guess.cut import NAMES
from logger.core.guess.layouts import layouts, try_on

LONGEST = 64
PAUSE_NS = 50_000_000
FIRST_GUESS = 3  # lines that are needed for a layout


@dataclass(frozen=True, slots=True)
class Shown:
    """A piece of what came: ``at_ns`` of its first byte, and what each dialect says; "" where a dialect
    has nothing to say yet."""

    at_ns: int
    data: bytes
    sma: str
    line: str


def printable(data: bytes) -> str:
    """Bytes as text, others by their names in angle brackets: ``<STX>ST 1.2<CR><LF>``, ``<9C>``.

    >>> printable(b"a\\r\\x9c")
    'a<CR><9C>'
    """
    return "".join(
        chr(byte) if 0x20 <= byte < 0x7F else f"<{NAMES.get(byte, format(byte, '02X'))}>" for byte in data
    )


class Listener:
    """Bytes in, pieces out. ``described`` is the layout to read lines by; without one it is guessed from
    the lines heard, and guessed again when a line does not fit."""

    def __init__(self, described: LineFormat | None = None) -> None:
        self._sma = SmaDecoder("")
        self._line = None if described is None else LineDecoder("", described)
        self._guess: LineFormat | None = None
        self._lines: list[bytes] = []
        self._rest = b""
        self._rest_ns = self._last_ns = 0

    def feed(self, data: bytes, at_ns: int) -> list[Shown]:
        """Pieces that are complete: up to a line end, a pause, or 64 bytes."""
        out = self.idle(at_ns)
        for byte in data:
            if not self._rest:
                self._rest_ns = at_ns
            elif self._rest[-1:] == b"\r" and byte != 10:
                out.append(self._piece())
                self._rest_ns = at_ns
            self._rest += bytes([byte])
            if (byte == 10 and len(self._rest) > 1) or len(self._rest) >= LONGEST:
                out.append(self._piece())
        self._last_ns = at_ns
        return out

    def idle(self, at_ns: int) -> list[Shown]:
        """What a pause has completed."""
        return [self._piece()] if self._rest and at_ns - self._last_ns >= PAUSE_NS else []

    def end(self) -> list[Shown]:
        """What is left."""
        return [self._piece()] if self._rest else []

    def _piece(self) -> Shown:
        data, self._rest = self._rest, b""
        sma = _say(self._sma.feed(data, 0))
        line = self._guessed(data) if self._line is None else _say(self._line.feed(data, 0))
        return Shown(self._rest_ns, data, sma, line)

    def _guessed(self, data: bytes) -> str:
        text = data.strip(b"\r\n")
        if not text or not data.endswith((b"\r", b"\n")):
            return ""
        self._lines = [*self._lines, text][-40:]
        if self._guess is not None:
            reading = try_on(self._guess, [text])[0]
            if reading is not None:
                return _show(reading)
        if len(self._lines) < FIRST_GUESS:
            return ""
        found = layouts(self._lines)
        if not found:
            return "no number"
        new = self._guess is None or found[0].line.layout != self._guess.layout
        self._guess = found[0].line
        reading = try_on(self._guess, [text])[0]
        said = "not this layout" if reading is None else _show(reading)
        return said + (f"   (layout guessed: {self._guess.layout})" if new else "")


def _say(items: list[Reading | Garbage]) -> str:
    return "; ".join(f"not understood: {i.reason}" if isinstance(i, Garbage) else _show(i) for i in items)


def _show(reading: Reading) -> str:
    motion = "" if reading.stable is None else "stable" if reading.stable else "moving"
    status = "" if reading.status == "ok" else reading.status
    number = write_number(reading.number, reading.exp)
    return " ".join(part for part in (number, reading.unit, reading.mode, motion, status) if part)
