"""What a flow meter's track knows at a second: all that rules, tally and board see of it."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple, Protocol


class FlowState(StrEnum):
    WAITING = "waiting"  # no believable reading yet
    SPEAKING = "speaking"
    SILENT = "silent"  # nothing for more than a few intervals: what flows now is not known


@dataclass(slots=True)
class FlowView:
    """A track at one second; the track updates it in place at each tick, nobody else writes it.

    ``total``: the meter shows what passed (a volume, or a count), not a flow. ``rate_l_min`` is None where
    it is not known: before the second reading of a total, and in a silence. ``u_*`` are standard
    uncertainties; the meter's own error is in none of the rates. ``litres`` is cumulative since the track
    began, and only the *difference* of two times has a meaning.
    """

    now_s: int = 0
    state: FlowState = FlowState.WAITING
    total: bool = False
    rate_l_min: float | None = None
    u_rate_l_min: float = 0.0
    rate_window_s: float = 0.0
    litres: float = 0.0
    interval_s: float = 0.0  # told or learned; 0 unknown
    last_reading_s: float = 0.0
    wraps: int = 0  # times the number ran over its end and began again at 0
    resets: int = 0  # times it began anew somewhere else: what passed meanwhile is unknown
    shown: int = 0  # the latest number (nL or nL/min)
    same_count: int = 0  # identical numbers in a row, up to now
    pairs: int = 0  # numbers that had one before them
    same: int = 0  # those of them that repeated it


class Passed(NamedTuple):
    """The water of a span: what was measured, and apart from it what passed unseen.

    ``unknown_l`` is only a guess, from the flow before and after, with its standard uncertainty; it is not
    in ``litres``. ``unknown_s`` is how long the meter did not tell.
    """

    litres: float
    u_l: float
    unknown_l: float
    u_unknown_l: float
    unknown_s: float


class Flow(Protocol):
    """The contract of `core.track.flow.FlowTrack`."""

    view: FlowView

    def reading(self, at_ns: int, number: int, unit: str, exp: int) -> str:
        """Take one reading. "" or, where it can't be believed, one short hyphenated word that says why."""

    def tick(self, now_s: int) -> None:
        """Close the second before ``now_s``."""

    def passed(self, from_s: int, to_s: int) -> Passed:
        """The water between two station seconds."""
