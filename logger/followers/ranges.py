"""A set of entry numbers as ranges: few, however many numbers they hold."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Iterator


class Ranges:
    """Numbers from 1 up, as disjoint ranges [first, last] in order, that never touch each other."""

    def __init__(self, ranges: Iterable[tuple[int, int]] = ()) -> None:
        self._firsts: list[int] = []
        self._lasts: list[int] = []
        self._count = 0
        for first, last in ranges:
            self.add(first, last)

    def __iter__(self) -> Iterator[tuple[int, int]]:
        return zip(self._firsts, self._lasts, strict=True)

    def __len__(self) -> int:
        """How many numbers, not how many ranges."""
        return self._count

    def add(self, first: int, last: int) -> int:
        """Put in first to last; answers how many of them are new. An empty range changes nothing."""
        if last < first:
            return 0
        low = bisect_left(self._lasts, first - 1)
        high = bisect_right(self._firsts, last + 1)
        held = sum(b - a + 1 for a, b in zip(self._firsts[low:high], self._lasts[low:high], strict=True))
        if low < high:
            first, last = min(first, self._firsts[low]), max(last, self._lasts[high - 1])
        self._firsts[low:high], self._lasts[low:high] = [first], [last]
        new = last - first + 1 - held
        self._count += new
        return new

    def remove(self, first: int, last: int) -> int:
        """Take out first to last; answers how many of them were in."""
        if last < first:
            return 0
        low = bisect_left(self._lasts, first)
        high = bisect_right(self._firsts, last)
        if low >= high:
            return 0
        touched = list(zip(self._firsts[low:high], self._lasts[low:high], strict=True))
        left = [(a, b) for a, b in ((touched[0][0], first - 1), (last + 1, touched[-1][1])) if a <= b]
        gone = sum(b - a + 1 for a, b in touched) - sum(b - a + 1 for a, b in left)
        self._firsts[low:high], self._lasts[low:high] = [a for a, _ in left], [b for _, b in left]
        self._count -= gone
        return gone

    def holds(self, first: int, last: int) -> bool:
        """Whether all of first to last are in."""
        number = bisect_left(self._lasts, first)
        whole = number < len(self._firsts) and self._firsts[number] <= first and last <= self._lasts[number]
        return whole or last < first

    def next(self, after: int, limit: int) -> tuple[int, int] | None:
        """The first numbers in it above ``after``, ``limit`` at most and without a hole; None: no more."""
        number = bisect_right(self._lasts, after)
        if number == len(self._firsts):
            return None
        first = max(self._firsts[number], after + 1)
        return first, min(self._lasts[number], first + limit - 1)

    def count_after(self, after: int) -> int:
        """How many numbers above ``after``."""
        number = bisect_right(self._lasts, after)
        pairs = zip(self._firsts[number:], self._lasts[number:], strict=True)
        return sum(last - max(first, after + 1) + 1 for first, last in pairs)
