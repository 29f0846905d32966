"""What the bay's instruments say on their wires, and how they answer. No wire in sight.

`Sma` is the instrument's side of SMA SCP-0499 (Scale Manufacturers Association, 1999, Mod 1 2005). The
field layout was checked against a public transcription; the behaviour of A, B, M, C, U and T is from memory.
`Described` and `Meter` stream a line of their own by themselves.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

from logger.simulator.scale import ScaleModel, Shown

_LF, _CR = b"\n", b"\r"
_LONGEST = 40  # of a command
_STATUS = {"ok": " ", "zero": "Z", "over": "O", "under": "U"}


class Instrument(Protocol):
    """Takes what comes in, gives what goes out. ``now_s`` never runs backwards."""

    def hear(self, data: bytes, now_s: float) -> list[bytes]:
        """Take bytes from the wire; give the answers, one frame each."""

    def say(self, now_s: float) -> list[bytes]:
        """What it sends by itself and is due now, one frame each."""


def sma_weight(shown: Shown) -> bytes:
    """A weight as SMA SCP-0499 lays it out: 20 bytes."""
    net = "N" if shown.net else "G"
    motion = "M" if shown.stable is False else " "
    head = f"{_STATUS[shown.status]}1{net}{motion} "
    return _LF + f"{head}{shown.value:>10}{shown.unit:<3}".encode("ascii") + _CR


class Sma:
    """A scale that is polled (W), asked for a stable weight (P), or repeats (R)."""

    ABOUT = ("SMA:2/1.1", "MFG:simulated", "MOD:bay", "REV:1", "SN :0", "END:")

    def __init__(self, show: Callable[[], Shown], keys: ScaleModel, repeat_s: float = 0.2) -> None:
        self._show = show
        self._keys = keys
        self._repeat_s = repeat_s
        self._pending = b""
        self._repeats = False
        self._waits = False  # P was asked and the weight was in motion
        self._next_s = 0.0
        self._about = 0

    def hear(self, data: bytes, now_s: float) -> list[bytes]:
        self._pending += data
        answers: list[bytes] = []
        while _CR in self._pending:
            line, _, self._pending = self._pending.partition(_CR)
            _, begun, command = line.rpartition(_LF)
            if begun:
                answers += self._obey(command.decode("latin-1"), now_s)
        if len(self._pending) > _LONGEST:
            self._pending = b""
            answers.append(b"\n!\r")
        return answers

    def say(self, now_s: float) -> list[bytes]:
        if self._waits:
            shown = self._show()
            if shown.stable is not False:
                self._waits = False
                return [sma_weight(shown)]
        if self._repeats and now_s >= self._next_s:
            late_s = now_s - self._next_s
            self._next_s = now_s + self._repeat_s - (late_s if late_s < self._repeat_s else 0.0)
            return [sma_weight(self._show())]
        return []

    def _obey(self, command: str, now_s: float) -> list[bytes]:
        """Any command ends a repetition or a wait."""
        self._repeats = self._waits = False
        if command == "P":
            self._waits = True
            return self.say(now_s)
        if command == "R":
            self._repeats, self._next_s = True, now_s
            return self.say(now_s)
        if command in ("A", "B"):
            self._about = 0 if command == "A" else min(self._about + 1, len(self.ABOUT) - 1)
            return [_LF + self.ABOUT[self._about].encode("ascii") + _CR]
        key = {"W": self._nothing, "Z": self._zero, "T": self._tare, "C": self._clear, "U": self._unit}
        if command not in key:
            return [b"\n?\r"]
        key[command]()
        return [sma_weight(self._show())]

    def _nothing(self) -> None:
        pass

    def _zero(self) -> None:
        self._keys.press_zero()

    def _tare(self) -> None:
        self._keys.press_tare()

    def _clear(self) -> None:
        self._keys.clear_tare()

    def _unit(self) -> None:
        self._keys.set_unit("lb" if self._keys.unit == "kg" else "kg")


class Streamer:
    """Sends a line at a steady rate and hears nothing."""

    def __init__(self, show: Callable[[], Shown], every_s: float = 0.2) -> None:
        self._show = show
        self._every_s = every_s
        self._next_s = 0.0

    def hear(self, data: bytes, now_s: float) -> list[bytes]:
        return []

    def say(self, now_s: float) -> list[bytes]:
        if now_s < self._next_s:
            return []
        late_s = now_s - self._next_s
        self._next_s = now_s + self._every_s - (late_s if late_s < self._every_s else 0.0)
        return [self.line(self._show())]

    def line(self, shown: Shown) -> bytes:
        raise NotImplementedError


class Described(Streamer):
    r"""``ST,GS,+   1.234 kg\r\n``: steady or not (ST, US), gross or net (GS, NT), sign, eight digits, unit.
    Overload is ``OL`` with dashes for the number."""

    def line(self, shown: Shown) -> bytes:
        net = "NT" if shown.net else "GS"
        if shown.status == "over":
            return f"OL,{net}, -------- {shown.unit}\r\n".encode("ascii")
        state = "US" if shown.stable is False else "ST"
        sign, digits = ("-", shown.value[1:]) if shown.value.startswith("-") else ("+", shown.value)
        return f"{state},{net},{sign}{digits:>8} {shown.unit}\r\n".encode("ascii")


class Meter(Streamer):
    r"""A flow meter: ``FLOW   14.10 L/min\r\n``."""

    def line(self, shown: Shown) -> bytes:
        return f"FLOW {shown.value:>7} {shown.unit}\r\n".encode("ascii")
