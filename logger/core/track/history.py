"""Delivered mass, its variance and what else adds up, at past seconds, in bounded memory.

The last quarter of an hour is kept second by second, older time at every tenth second, linear in
between. A correction shifts everything from a second on, so tallies need no refolding.
"""

from __future__ import annotations

from array import array
from bisect import bisect_right

FINE_S = 900
COARSE_S = 10
MARK_S = 30
_SLACK = 200  # fine seconds are moved to the coarse rows in lots of this many
_COLUMNS = 4  # delivered (mg), variance (mg2), estimated part (mg), wet (mg/s, see `drainage`)


class History:
    """Four columns over station seconds without holes; ``last_s`` is the newest, None before any."""

    def __init__(self, keep_s: int) -> None:
        self._keep = max(keep_s, FINE_S) // COARSE_S
        self.fine_s = 0  # second of the first fine row
        self.last_s: int | None = None
        self.fine = tuple(array("d") for _ in range(_COLUMNS))
        self._coarse_s = 0
        self._coarse = tuple(array("d") for _ in range(_COLUMNS))

    def append(self, second: int, row: tuple[float, float, float, float]) -> None:
        """Enter the values at ``second``; seconds left out are filled in linearly, earlier ones ignored."""
        if self.last_s is None:
            self.fine_s = self._coarse_s = second
        elif second <= self.last_s:
            return
        elif second != self.last_s + 1:
            self._bridge(second, row)
        for column, value in zip(self.fine, row, strict=True):
            column.append(value)
        self.last_s = second
        if len(self.fine[0]) >= FINE_S + _SLACK:
            self._thin()

    def _bridge(self, second: int, row: tuple[float, ...]) -> None:
        start = self.fine_s + len(self.fine[0]) - 1
        span = second - start
        before = [column[-1] for column in self.fine]
        first = max(start + 1, second - self._keep * COARSE_S)
        if first > start + 1:  # longer than all that is remembered: begin again
            self.__init__(self._keep * COARSE_S)  # type: ignore[misc]
            self.fine_s = self._coarse_s = first
        for now in range(first, second):
            share = (now - start) / span
            for column, a, b in zip(self.fine, before, row, strict=True):
                column.append(a + (b - a) * share)
            self.last_s = now
            if len(self.fine[0]) >= FINE_S + _SLACK:
                self._thin()

    def _thin(self) -> None:
        """Move the oldest fine rows to the coarse ones, which stay on a grid of whole ten seconds."""
        if not len(self._coarse[0]):
            self._coarse_s = self.fine_s
        skip = (self._coarse_s + len(self._coarse[0]) * COARSE_S) - self.fine_s
        for coarse, fine in zip(self._coarse, self.fine, strict=True):
            coarse.extend(fine[skip:_SLACK:COARSE_S])
            del fine[:_SLACK]
        self.fine_s += _SLACK
        surplus = len(self._coarse[0]) - self._keep
        if surplus > _SLACK:
            for coarse in self._coarse:
                del coarse[:surplus]
            self._coarse_s += surplus * COARSE_S

    def at(self, second: float, column: int = 0) -> float:
        """The value at a second; clamped before the first and after the last; 0 before any."""
        if self.last_s is None:
            return 0.0
        fine = self.fine[column]
        if second >= self.last_s:
            return fine[-1]
        place = second - self.fine_s
        if place >= 0:
            return _between(fine, place, fine[-1])
        coarse = self._coarse[column]
        if not coarse:
            return fine[0]
        place = (second - self._coarse_s) / COARSE_S
        if place >= len(coarse) - 1:  # between the last coarse row and the first fine one
            last = self._coarse_s + (len(coarse) - 1) * COARSE_S
            return coarse[-1] + (fine[0] - coarse[-1]) * (second - last) / (self.fine_s - last)
        return coarse[0] if place <= 0 else _between(coarse, place, fine[0])

    def shift(self, column: int, start: float, end: float, delta: float) -> None:
        """Add ``delta`` from ``end`` on, growing linearly from 0 at ``start``."""
        if self.last_s is None:
            return
        self._shift(self._coarse[column], self._coarse_s, COARSE_S, start=start, end=end, delta=delta)
        self._shift(self.fine[column], self.fine_s, 1, start=start, end=end, delta=delta)

    @staticmethod
    def _shift(
        values: array[float], first: int, step: int, *, start: float, end: float, delta: float
    ) -> None:
        for index in range(max(0, int((start - first) // step)), len(values)):
            second = first + index * step
            if second >= end:
                values[index] += delta
            elif second > start:
                values[index] += delta * (second - start) / (end - start)

    def rewrite(self, start: int, values: tuple[float, float, float, float], end: int | None = None) -> None:
        """Draw straight lines from the row at ``start`` to ``values`` at ``end`` (the newest row), which then
        stay."""
        if self.last_s is None or start >= self.last_s:
            return
        first = max(start, self.fine_s)
        last = self.last_s if end is None else max(end, first + 1)
        for column, value in zip(self.fine, values, strict=True):
            a, span = column[first - self.fine_s], last - first
            for index in range(first - self.fine_s + 1, len(column)):
                column[index] = a + (value - a) * min(1.0, (index - first + self.fine_s) / span)

    def row(self, second: int) -> tuple[float, float, float, float]:
        """All values at a second."""
        return self.at(second), self.at(second, 1), self.at(second, 2), self.at(second, 3)


class Marks:
    """A figure that changes slowly, noted every half minute, so that it can be had as it was."""

    def __init__(self, keep_s: int) -> None:
        self._keep = max(keep_s, FINE_S) // MARK_S
        self._seconds = array("q")
        self._values = array("d")

    def note(self, second: int, value: float) -> None:
        """Keep the value if half a minute has passed since the last."""
        if self._seconds and second - self._seconds[-1] < MARK_S:
            return
        self._seconds.append(second)
        self._values.append(value)
        if len(self._seconds) > self._keep + _SLACK:
            del self._seconds[:_SLACK], self._values[:_SLACK]

    def at(self, second: float) -> float:
        """The last value noted by then; the first one where it is earlier still; 0 before any."""
        if not self._seconds:
            return 0.0
        return self._values[max(0, bisect_right(self._seconds, second) - 1)]


def _between(values: array[float], place: float, beyond: float) -> float:
    low = int(place)
    part = place - low
    if part == 0.0:
        return values[low]
    high = values[low + 1] if low + 1 < len(values) else beyond
    return values[low] + (high - values[low]) * part
