"""The next stable weight of a scale: taken as gross or tare of a container that a person puts on it.

A weight is stable when three seconds in a row ended within one division of each other, and the scale
does not say the contrary; if it says nothing but "moving" while the weight stands still, five seconds
are enough, since some scales hardly ever flag a stable weight. After one weight was taken the next must
differ from it by more than three divisions: the container has to be changed in between; less than ten
divisions is an empty scale (assumed, no source).
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field

from logger.core.entries import USABLE, Reading

STILL_S = 3
STILL_AGAINST_FLAG_S = 5
APART = 3.0  # divisions
LEAST = 10.0  # divisions; less is an empty scale, not a container
LONGEST_WAIT_S = 600
NEAR = 0.1
"""How far from its nominal mass a check weight may be shown, as a fraction of it, or `LEAST` divisions if
that is more (assumed, no source): whatever else stands on the scale is not taken for it."""


@dataclass(slots=True)
class StableWeight:
    """Watches one scale. ``resolution_kg`` is its division."""

    resolution_kg: float
    _last: deque[float] = field(default_factory=lambda: deque(maxlen=STILL_AGAINST_FLAG_S))
    _taken_kg: float | None = None
    _on_kg: float | None = None
    _asked: int = 0

    def tick(self, reading: Reading | None, value_kg: float, fresh: bool) -> None:
        """Look at the second that ended: its last reading, in kg; ``fresh``: it came in this second."""
        if reading is None or reading.status not in USABLE or not fresh:
            self._last.clear()
            return
        self._last.append(value_kg)
        if self._taken_kg is not None and abs(value_kg - self._taken_kg) > APART * self.resolution_kg:
            self._taken_kg = None

    def take(self, flag: bool | None) -> float | None:
        """The stable weight (kg), if there is one that was not taken before."""
        stable_kg = self._stable(flag)
        if stable_kg is not None:
            self._taken_kg = stable_kg
        return stable_kg

    def take_check(self, flag: bool | None, nominal_kg: float, asked: int) -> tuple[float, int] | None:
        """What a check weight is shown as (kg), once it is there, and of how many readings that is made.

        By itself, or on top of what stood there at rest before it: the difference of two readings. ``asked``
        tells one check from the next.
        """
        if asked != self._asked:
            self._asked, self._on_kg = asked, None
        stable_kg = self._stable(flag)
        if stable_kg is None:
            return None
        before_kg, self._on_kg = self._on_kg, stable_kg
        for shown_kg, readings in ((stable_kg, 1), (stable_kg - (before_kg or 0.0), 2)):
            if abs(shown_kg - nominal_kg) <= max(NEAR * nominal_kg, LEAST * self.resolution_kg):
                self._taken_kg, self._on_kg = stable_kg, None
                return shown_kg, readings
        return None

    def _stable(self, flag: bool | None) -> float | None:
        """The weight at rest; None where there is none, or it was taken, or the scale is empty."""
        needed = STILL_AGAINST_FLAG_S if flag is False else STILL_S
        if self._taken_kg is not None or len(self._last) < needed:
            return None
        recent = list(self._last)[-needed:]
        if min(recent) < LEAST * self.resolution_kg:
            return None
        if max(recent) - min(recent) > 1.001 * self.resolution_kg:
            return None
        return recent[-1]
