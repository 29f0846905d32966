"""The wall time of a point, the same whenever it is sent.

The wall clock may be set after points went out; the journal then knows better, but a point sent again under
another time would be a second point. So what was used first is pinned, and kept with the follower's cursor.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Sequence
from typing import Any, NamedTuple

from logger.core.tagging import SLOT_NS, Clockwork

STEP_NS = 100_000_000
"""A wall clock that moved by no more than this goes on under the old shift."""


class Pin(NamedTuple):
    """From ``from_ns`` of station time on (until the next pin's) wall time = station time + ``shift_ns``.

    ``piece_ns``: where the piece of clockwork begins that it was taken from, 0 of the first.
    """

    from_ns: int
    shift_ns: int
    piece_ns: int
    trusted: bool


class Times:
    """How station time becomes wall time in the store. Shifts are whole slots, so slots stay slots."""

    def __init__(self, pins: Iterable[Pin] = ()) -> None:
        self._pins = sorted(pins)
        self._froms = [pin.from_ns for pin in self._pins]

    @property
    def pins(self) -> tuple[Pin, ...]:
        return tuple(self._pins)

    def wall_ns(self, at_ns: int) -> int:
        """The wall time of a station time; the same as long as nothing is pinned."""
        return at_ns + self.stretch(at_ns)[2]

    def stretch(self, at_ns: int) -> tuple[int, int | None, int]:
        """[from, to) in ns of station time around a moment where one shift holds, and the shift."""
        if not self._pins:
            return 0, None, 0
        number = max(bisect_right(self._froms, at_ns) - 1, 0)
        end_ns = self._froms[number + 1] if number + 1 < len(self._froms) else None
        return self._froms[number] if number else 0, end_ns, self._pins[number].shift_ns

    def trusted(self, at_ns: int) -> bool:
        """Whether something said that the wall clock was right for the start this moment belongs to."""
        number = max(bisect_right(self._froms, at_ns) - 1, 0)
        return bool(self._pins) and self._pins[number].trusted

    def update(self, clockwork: Sequence[Clockwork], sent_upto_ns: int) -> bool:
        """Take over what the journal knows now; True where a pin changed and is to be kept.

        ``sent_upto_ns``: the latest station time of which a point may have gone out (0: none). Up to there
        nothing that is pinned changes.
        """
        before = list(self._pins)
        pieces = [
            piece._replace(from_ns=piece.from_ns if number else 0) for number, piece in enumerate(clockwork)
        ]
        ends = [*(piece.from_ns for piece in pieces[1:]), None]
        for piece, end_ns in zip(pieces, ends, strict=False):  # there is no piece before the first boot
            others = [pin for pin in self._pins if pin.piece_ns != piece.from_ns]
            mine = [pin for pin in self._pins if pin.piece_ns == piece.from_ns]
            self._pins = sorted(others + _pinned(mine, piece, end_ns, sent_upto_ns))
        self._froms = [pin.from_ns for pin in self._pins]
        return self._pins != before

    def to_json(self) -> list[list[Any]]:
        return [list(pin) for pin in self._pins]

    @classmethod
    def from_json(cls, told: Iterable[Sequence[Any]]) -> Times:
        """Of what `to_json` gave. ValueError, TypeError where it is something else."""
        return cls(
            Pin(int(start), int(shift), int(piece), bool(trusted)) for start, shift, piece, trusted in told
        )


def _pinned(mine: list[Pin], piece: Clockwork, end_ns: int | None, sent_upto_ns: int) -> list[Pin]:
    """The pins of one piece after what is known of it now."""
    shift_ns = (piece.shift_ns + SLOT_NS // 2) // SLOT_NS * SLOT_NS
    newest = Pin(piece.from_ns, shift_ns, piece.from_ns, piece.trusted)
    if not mine or sent_upto_ns < max(piece.from_ns, 1):
        return [newest]
    pins = [pin._replace(trusted=pin.trusted or piece.trusted) for pin in mine]
    if pins[-1].from_ns > sent_upto_ns:  # nothing went out under the last one
        pins.pop()
    if abs(shift_ns - pins[-1].shift_ns) > STEP_NS:
        after_ns = (sent_upto_ns // SLOT_NS + 1) * SLOT_NS
        if end_ns is None or after_ns < end_ns:
            pins.append(newest._replace(from_ns=max(after_ns, pins[-1].from_ns), trusted=pins[-1].trusted))
    return pins
