"""The open scale protocol SMA SCP-0499 (Scale Manufacturers Association, 1999, Mod 1 2005).

A reply is LF, 18 bytes, CR: status, range, gross/net, motion, reserved, weight (10 wide), unit (3).
Strategy: cut the stream at LF and CR, match every field strictly, and hand on as Garbage whatever
does not match, so a spoiled byte costs one reading and never makes a wrong one.

Two things seen in the field are taken too, and kept raw: ``_`` where a space is meant, and a weight
9 wide. A status letter that the standard does not name makes the reading ``unknown``, which is not
usable. A frame without a number (dashes or blanks) is a Reading of 0 with a status that says so.
"""

from __future__ import annotations

from logger.core.decode.contract import Exchange
from logger.core.decode.number import read_number, write_number
from logger.core.entries import USABLE, Garbage, Reading

LF, CR = b"\n", b"\r"
MAX_PENDING = 64  # a frame is 20 bytes; what goes on longer than this is not one

_STATUS = {
    " ": "ok",
    "Z": "zero",
    "O": "over",
    "U": "under",
    "E": "zero-error",
    "I": "initial-zero-error",
    "T": "tare-error",
}
_MODE = {"G": "gross", "N": "net", "T": "tare", "g": "gross", "n": "net"}
_UNIT = {"lb ": "lb", "kg ": "kg", "g  ": "g", "oz ": "oz"}
_POUNDS_OUNCES = "l/o"

_STATUS_LETTER = {name: letter for letter, name in _STATUS.items()} | {"unknown": "?"}
_MODE_LETTER = {"gross": "G", "net": "N", "tare": "T", "": "G"}
_UNIT_FIELD = {name: field for field, name in _UNIT.items()}
_FILLED_WITH_DASHES = frozenset({"zero-error", "initial-zero-error", "tare-error"})

_COMMAND = {"poll": b"\nW\r", "stable": b"\nP\r"}


def exchange(mode: str, interval_s: float = 0.2, timeout_s: float = 1.0) -> Exchange:
    """What to send so that the scale talks: ``poll``, ``stable`` or ``repeat``.

    ``poll`` asks for the weight now (W), ``stable`` for the weight once it rests (P); ``repeat`` lets
    the scale send by itself (R) until another command, here W, ends it. ValueError for other modes.
    """
    if mode == "repeat":
        return Exchange(b"\nR\r", b"", _COMMAND["poll"], interval_s, timeout_s)
    if mode in _COMMAND:
        return Exchange(b"", _COMMAND[mode], b"", interval_s, timeout_s)
    raise ValueError(f'mode "{mode}" is not known to SMA SCP-0499; use one of {", ".join(_COMMAND)}, repeat')


class SmaDecoder:
    """Bytes of one scale in, Readings and Garbage out. See `core.decode.contract.Decoder`.

    Reasons of Garbage: ``noise`` (before a frame), ``no-end`` (a frame began inside another),
    ``too-long``, ``bad-length``, ``bad-range``, ``bad-mode``, ``bad-weight``, ``bad-unit``,
    ``not-ascii``, ``not-understood`` (the scale answered ``?``), ``line-error`` (it answered ``!``)
    and ``cut-off`` (the link broke).
    """

    __slots__ = ("_buffer", "channel")

    def __init__(self, channel: str) -> None:
        self.channel = channel
        self._buffer = b""

    @property
    def pending(self) -> bytes:
        return self._buffer

    def reset(self, at_ns: int) -> list[Garbage]:
        left, self._buffer = self._buffer, b""
        return [Garbage(at_ns, self.channel, left, "cut-off")] if left else []

    def feed(self, data: bytes, at_ns: int) -> list[Reading | Garbage]:
        buffer = self._buffer + data
        size = len(buffer)
        out: list[Reading | Garbage] = []
        at = 0
        while at < size:
            limit = at + MAX_PENDING
            if not buffer.startswith(LF, at):
                end, reason = buffer.find(LF, at, limit), "noise"
            else:
                end = buffer.find(CR, at + 1, limit) + 1
                again = buffer.find(LF, at + 1, end or limit)
                if again < 0 and end:
                    out.append(self._frame(buffer[at:end], at_ns))
                    at = end
                    continue
                end, reason = again, "no-end"
            if end < 0:
                if size < limit:
                    break
                end, reason = limit, "too-long"
            out.append(Garbage(at_ns, self.channel, buffer[at:end], reason))
            at = end
        self._buffer = buffer[at:]
        return out

    def encode(self, reading: Reading) -> bytes:
        """The 20 bytes of a frame. ValueError where unit or number do not fit the dialect."""
        if reading.unit not in _UNIT_FIELD:
            known = ", ".join(_UNIT_FIELD)
            raise ValueError(f'unit "{reading.unit}" is not on this wire; SMA SCP-0499 has {known}')
        frame = _render(reading)
        if len(frame) != 20:
            raise ValueError(f"{reading.number}e{reading.exp} is wider than the 10 places of SMA SCP-0499")
        return frame

    def _frame(self, frame: bytes, at_ns: int) -> Reading | Garbage:
        reading = self._parse(frame, at_ns)
        if isinstance(reading, str):
            return Garbage(at_ns, self.channel, frame, reading)
        return reading if _render(reading) == frame else reading._replace(raw=frame)

    def _parse(self, frame: bytes, at_ns: int) -> Reading | str:
        """The reading in a frame, or the reason why there is none."""
        text = frame[1:-1].decode("latin-1").replace("_", " ")
        flaw = _flaw(text)
        if flaw:
            return flaw
        weight, unit = text[5:-3].strip(" "), text[-3:]
        status = _STATUS.get(text[0], "unknown")
        if not weight.strip("-"):  # dashes or blanks: no number, so never usable
            value: tuple[int, int] | None = (0, 0)
            status = "unknown" if status in USABLE else status
        elif unit == _POUNDS_OUNCES:
            value = _ounces(weight)
        else:
            value = read_number(weight)
        if value is None:
            return "bad-weight"
        name = "oz" if unit == _POUNDS_OUNCES else _UNIT.get(unit)
        if name is None:
            return "bad-unit"
        # Only a space says "at rest": a motion letter that the standard does not name is not rest.
        stable, mode = text[3] == " ", _MODE[text[2]]
        return Reading(at_ns, self.channel, value[0], value[1], name, stable, status, mode)


def _flaw(text: str) -> str:
    """What is wrong with a frame before its weight is looked at; "" nothing."""
    if not text.isascii():
        return "not-ascii"
    if len(text) not in (17, 18):
        return {"?": "not-understood", "!": "line-error"}.get(text, "bad-length")
    if not "0" <= text[1] <= "9":
        return "bad-range"
    return "" if text[2] in _MODE else "bad-mode"


def _ounces(weight: str) -> tuple[int, int] | None:
    """Pounds and ounces such as ``8:08.5``, exactly, in ounces: 136.5."""
    pounds_text, colon, ounces_text = weight.partition(":")
    pounds, ounces = read_number(pounds_text), read_number(ounces_text)
    if not colon or pounds is None or ounces is None or pounds[1] or not ounces_text[0].isdigit():
        return None
    count, exp = ounces
    scale: int = 10**-exp
    if count >= 16 * scale:
        return None
    total = abs(pounds[0]) * 16 * scale + count
    return (-total if pounds_text.startswith("-") else total), exp


def _render(reading: Reading) -> bytes:
    dashes = reading.status in _FILLED_WITH_DASHES
    weight = "-" * 10 if dashes else write_number(reading.number, reading.exp)
    status, mode = _STATUS_LETTER[reading.status], _MODE_LETTER[reading.mode]
    motion = "M" if reading.stable is False else " "
    return f"\n{status}1{mode}{motion} {weight:>10}{_UNIT_FIELD[reading.unit]}\r".encode("ascii")
