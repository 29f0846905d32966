"""A timer on the raw weight: nothing more has come for so long."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from tests.bench.peers.contract import LEARN_S, Array, Stream

FALL_D = 5.0  # a fall by so many divisions is no flicker: the timer takes it for the new weight


class Timer:
    """Alarm when the weight shown has not risen by a division for ``parameter`` seconds."""

    name = "timer"
    parameter = "s without a rise of one division"
    low, high = 1.0, 3600.0
    own_unit = True

    def look(self, stream: Stream) -> Array:
        """When the weight rose."""
        rises, held = [0.0], stream.kg[0]
        up, down = 0.99 * stream.d_kg, FALL_D * stream.d_kg
        for at_s, kg in zip(stream.at_s.tolist(), stream.kg.tolist(), strict=True):
            if kg >= held + up:
                rises.append(at_s)
                held = kg
            elif kg < held - down:
                held = kg
        return np.array([*rises, float(stream.at_s[-1])])

    def alarms(self, looked: Array, parameter: float) -> Iterator[float]:
        due = looked[:-1] + parameter
        return iter(due[(np.diff(looked) > parameter) & (due >= LEARN_S)].tolist())
