"""What people corrected, kept beside what was weighed: a correction changes tallies, never a rate.

Rates, jumps and drainage are judged from the history of what the scale showed. Were a correction written
into it, mass that a person adds afterwards would look like a flood, and the level would run after it.
"""

from __future__ import annotations

KEPT = 400
DELIVERED, VAR, ESTIMATED, UNCAUGHT, UNCAUGHT_VAR = range(5)
_NONE = (0.0, 0.0, 0.0, 0.0, 0.0)


class Corrections:
    """Changes of delivered mass (mg), its variance (mg2) and estimated part (mg), and of the mass that was
    not caught (mg) and its variance (mg2), each over a span of time."""

    def __init__(self) -> None:
        self._made: dict[tuple[int, int], tuple[float, ...]] = {}

    def add(self, from_s: int, to_s: int, change: tuple[float, ...]) -> None:
        """Mass from ``to_s`` on changes, growing linearly from ``from_s``. One for each span: they add up.

        Columns left out at the end do not change.
        """
        old = self._made.pop((from_s, to_s), _NONE)
        change += _NONE[len(change) :]
        self._made[from_s, to_s] = tuple(a + b for a, b in zip(old, change, strict=True))
        if len(self._made) > KEPT:
            del self._made[next(iter(self._made))]

    def at(self, second: float, column: int) -> float:
        """The sum of what was corrected, as it counts at a second."""
        total = 0.0
        for (from_s, to_s), change in self._made.items():
            if second >= to_s:
                total += change[column]
            elif second > from_s:
                total += change[column] * (second - from_s) / (to_s - from_s)
        return total
