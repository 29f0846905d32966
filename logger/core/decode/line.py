"""Scales and flow meters that print a line, described in the configuration by a `LineFormat`.

Strategy: cut the stream at the line end, match the whole line or none of it, and hand on as Garbage
what does not match. A word that the configuration does not explain makes a status ``unknown``, which
is not usable. Dashes, blanks and all nines are no weight. What is left of a line whose head was lost
is never read, because it may look like a smaller weight.
"""

from __future__ import annotations

from logger.core.decode.contract import Exchange
from logger.core.decode.layout import (
    CONDITIONS,
    ENDS,
    MODES,
    STABILITY,
    UNITS,
    LineFormat,
    parse,
    pattern,
    proves_its_start,
)
from logger.core.decode.number import read_number, write_number
from logger.core.entries import USABLE, Garbage, Reading

MAX_LINE = 256
NINES = 5  # as many nines and nothing else are an overload; 9.999 kg may well be a weight

__all__ = ["MAX_LINE", "LineDecoder", "LineFormat", "exchange"]


def exchange(line: LineFormat, interval_s: float = 0.2, timeout_s: float = 1.0) -> Exchange:
    """Ask with the format's request; without one, listen."""
    return Exchange(poll=line.request.encode("ascii"), interval_s=interval_s, timeout_s=timeout_s)


class LineDecoder:
    """Lines of one instrument in, Readings and Garbage out. See `core.decode.contract.Decoder`.

    Reasons of Garbage: ``no-match`` (not the line described), ``unknown-word`` (a mode that `words`
    does not explain), ``unknown-unit``, ``bad-number``, ``not-ascii``, ``too-long``, ``remainder``
    (the rest of a line that was cut off), ``joined-midway`` (the first line of a stream whose layout
    can't prove that nothing is missing at its head) and ``cut-off``.
    """

    def __init__(self, channel: str, line: LineFormat) -> None:
        self.channel = channel
        self._format = line
        self._items = parse(line.layout)
        self._match = pattern(self._items, line.decimal).fullmatch
        self._end = ENDS[line.end]
        self._buffer = b""
        self._proven = proves_its_start(line)
        self._first = "" if self._proven or line.request else "joined-midway"
        self._skip = self._first  # why the next line is not to be read
        fields = {item.field for item in self._items}
        self._words = [name for name in ("status", "motion", "mode") if name in fields]
        self._wire: dict[str, str] = {meaning: word for word, meaning in reversed(tuple(line.words.items()))}

    @property
    def pending(self) -> bytes:
        return self._buffer

    def reset(self, at_ns: int) -> list[Garbage]:
        left, self._buffer = self._buffer, b""
        if left and not self._proven:
            self._skip = "remainder"
        else:
            self._skip = self._skip or self._first
        return [Garbage(at_ns, self.channel, left, "cut-off")] if left else []

    def feed(self, data: bytes, at_ns: int) -> list[Reading | Garbage]:
        out: list[Reading | Garbage] = []
        width = len(self._end)
        buffer = self._buffer + data
        at = 0
        while True:
            cut = buffer.find(self._end, at, at + MAX_LINE + width)
            if cut >= 0:
                raw = buffer[at : cut + width]
                if self._skip:
                    out.append(Garbage(at_ns, self.channel, raw, self._skip))
                    self._skip = ""
                else:
                    out.append(self._line(raw, at_ns))
                at = cut + width
            elif len(buffer) - at >= MAX_LINE + width:
                out.append(Garbage(at_ns, self.channel, buffer[at : at + MAX_LINE], "too-long"))
                self._skip = "remainder"
                at += MAX_LINE
            else:
                self._buffer = buffer[at:]
                return out

    def encode(self, reading: Reading) -> bytes:
        """The line, end included. ValueError where a field is too narrow for its text."""
        text = self._render(reading)
        for item, piece in zip(self._items, text, strict=True):
            if item.width and len(piece) != item.width:
                raise ValueError(
                    f'"{piece}" does not fit the {item.width} characters of {{{item.field}}} in the layout '
                    f'"{self._format.layout}"'
                )
        return "".join(text).encode("ascii") + self._end

    def _line(self, raw: bytes, at_ns: int) -> Reading | Garbage:
        reading = self._parse(raw, at_ns)
        if isinstance(reading, str):
            return Garbage(at_ns, self.channel, raw, reading)
        plain = "".join(self._render(reading)).encode("ascii") + self._end
        return reading if plain == raw else reading._replace(raw=raw)

    def _parse(self, raw: bytes, at_ns: int) -> Reading | str:
        """The reading in a line, or the reason why there is none."""
        if not raw.isascii():
            return "not-ascii"
        match = self._match(raw[: -len(self._end)].decode("ascii"))
        if match is None:
            return "no-match"
        found = match.groupdict()
        judged = self._judge(found)
        if judged is None:
            return "unknown-word"
        stable, status, mode = judged
        unit = self._unit(found.get("unit", ""))
        if unit is None:
            return "unknown-unit"
        return self._weigh(Reading(at_ns, self.channel, 0, 0, unit, stable, status, mode), found["number"])

    def _judge(self, found: dict[str, str]) -> tuple[bool | None, str, str] | None:
        """(stable, status, mode) that the words say; None where a mode is not explained."""
        stable: bool | None = None
        status, mode = "ok", ""
        for name in self._words:
            meaning = self._format.words.get(found[name].strip(" "), "")
            if meaning in STABILITY:
                stable = STABILITY[meaning]
            elif meaning in MODES:
                mode = meaning
            elif meaning in CONDITIONS:
                status = CONDITIONS[meaning] if status == "ok" else status
            elif name == "mode":
                return None
            else:
                status = "unknown"
        return stable, status, mode

    def _weigh(self, empty: Reading, found: str | None) -> Reading | str:
        """The reading with its number, or the reason why it has none."""
        text = (found or "").strip(" ")
        if not text.strip("-"):
            return empty._replace(status=_no_weight(empty.status, "unknown"))
        value = read_number(text if self._format.decimal == "." else text.replace(",", "."))
        if value is None:
            return "bad-number"
        overload = text.count("9") >= NINES and not text.strip("9" + self._format.decimal)
        status = _no_weight(empty.status, "over") if overload else empty.status
        return empty._replace(number=value[0], exp=value[1], status=status)

    def _unit(self, found: str) -> str | None:
        name = found.strip(" ")
        if not name:
            return self._format.unit
        name = self._format.words.get(name, name)
        return name if name in UNITS else None

    def _render(self, reading: Reading) -> list[str]:
        """The plain text of each item of the layout."""
        pieces = []
        for item in self._items:
            if not item.field:
                pieces.append(item.text)
            elif item.field == "number":
                number = write_number(reading.number, reading.exp)
                pieces.append(number.replace(".", self._format.decimal).rjust(item.width))
            else:
                pieces.append(self._word(item.field, reading).ljust(item.width))
        return pieces

    def _word(self, name: str, reading: Reading) -> str:
        if name == "unit":
            return self._wire.get(reading.unit, reading.unit)
        if name == "mode":
            return self._wire.get(reading.mode, "")
        if name == "skip":
            return ""
        rest = "moving" if reading.stable is False else "stable"
        condition = "error" if reading.status not in CONDITIONS else reading.status
        both = name == "status" and "motion" not in self._words
        choice = (condition, rest) if reading.status != "ok" else (rest, "ok")
        if not both:
            choice = (condition, "") if name == "status" else (rest, "")
        return next((self._wire[meaning] for meaning in choice if meaning in self._wire), "")


def _no_weight(status: str, instead: str) -> str:
    """The instrument's own word where it is not usable, else `instead`."""
    return instead if status in USABLE else status
