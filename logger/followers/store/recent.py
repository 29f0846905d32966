"""What was delivered lately: a store that is killed, or loses its power, forgets what it had acknowledged.

So once it comes back, what it took in its last seconds is sent once more; it has most of it, and the same
point again changes nothing. What was put back for this reason before is put back again only where it is
little, so that a store that goes down again and again still gets on with a backlog.
"""

from __future__ import annotations

import json
from collections import deque
from typing import NamedTuple

from logger.followers.ranges import Ranges

WINDOW_S = 30.0
LITTLE = 50_000
"""Entries: a second's work, whatever happens."""


class _Piece(NamedTuple):
    at_s: float
    first: int
    last: int
    again: bool


class Recent:
    """``told`` is what `to_json` gave in an earlier life: all of that may be forgotten by now."""

    def __init__(self, told: str = "") -> None:
        self._pieces: deque[_Piece] = deque()
        self._again = Ranges()
        try:
            self._pieces.extend(_Piece(0.0, int(a), int(b), False) for a, b in json.loads(told or "[]"))
        except (ValueError, TypeError):
            self._pieces.clear()

    def delivered(self, first: int, last: int, now_s: float) -> None:
        again = self._again.remove(first, last) > 0
        newest = self._pieces[-1] if self._pieces else _Piece(0.0, 0, -1, False)
        if (newest.last + 1, newest.again) == (first, again) and now_s - newest.at_s < 1.0:
            self._pieces[-1] = newest._replace(last=last)
        else:
            self._pieces.append(_Piece(now_s, first, last, again))
        while self._pieces[0].at_s < now_s - WINDOW_S - 1.0:
            self._pieces.popleft()

    def forgotten(self) -> list[tuple[int, int]]:
        """The store may have lost its last seconds: the ranges that are to be put back."""
        ranges, little = [], LITTLE
        for _, first, last, again in reversed(self._pieces):
            if again:
                little -= last - first + 1
                if little < 0:
                    continue
            ranges.append((first, last))
            self._again.add(first, last)
        self._pieces.clear()
        return ranges

    def to_json(self) -> str:
        return json.dumps(list(Ranges((piece.first, piece.last) for piece in self._pieces)))
