"""What a track knows at a second: the only thing rules, tally and board see of it.

A track takes readings as whole milligrams into one-second bins (`reading`, the hot path) and does all
else once a second (`tick`). ``delivered_mg`` is cumulative since the track began and only the
*difference* of two times has a meaning; the tally of a run is such a difference.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any, Protocol

from logger.core.track.saying import Saying


class TrackState(StrEnum):
    WAITING = "waiting"  # no believable reading yet
    STEADY = "steady"  # the level is believed, mass is counted
    DISTURBED = "disturbed"  # something moved the weight; mass is carried by expectation
    OFF = "off"  # no container on the scale
    SILENT = "silent"  # no readings
    FROZEN = "frozen"  # readings that no longer move as they should


@dataclass(frozen=True, slots=True)
class Recognised:
    """Something read from the weight itself.

    ``what``: ``container-changed``, ``container-off``, ``container-back``, ``bump``, ``refill``,
    ``tare-pressed``, ``step-down``, ``step-up``, ``caught-product`` or another short word; as a person
    said it, ``container-set``, ``container-changed``, ``container-away``, ``decanted``, ``sample-taken``; or
    ``unseen`` (number 0): nothing came of what was said.
    ``step_mg`` is the step of the weight; ``credit_mg`` the mass counted for the time between,
    ``credit_u_mg`` its standard uncertainty, ``estimated`` whether it was expected rather than weighed.
    ``from_s`` and ``to_s`` bound it in station seconds.
    """

    what: str
    from_s: int
    to_s: int
    step_mg: float
    credit_mg: float = 0.0
    credit_u_mg: float = 0.0
    estimated: bool = False
    number: int = 0
    data: dict[str, Any] = field(default_factory=dict)


@dataclass(slots=True)
class View:
    """A track at one second; the track updates it in place at each tick, nobody else writes it.

    For a feed channel "delivered" is mass *used*, net of refills, so it grows as the hopper empties.
    Rates are in mg/s over a window the track chose (``rate_window_s``); ``u_*`` are standard
    uncertainties. ``level_mg`` is the smoothed weight as the scale shows it. ``noise_mg`` is the
    standard deviation of a single reading about the level, ``interval_s`` the learned time between
    readings. ``content_mg`` is what lies in the present container (level less its tare), None unknown.
    """

    now_s: int = 0
    state: TrackState = TrackState.WAITING
    state_since_s: int = 0
    level_mg: float = 0.0
    content_mg: float | None = None
    tare_mg: float | None = None
    delivered_mg: float = 0.0
    var_mg2: float = 0.0  # of the part of delivered_mg that cannot be taken back by differencing
    level_var_mg2: float = 0.0  # of the present level: resolution and noise
    estimated_mg: float = 0.0  # the part of delivered_mg that was expected, not weighed
    rate_mg_s: float = 0.0
    u_rate_mg_s: float = 0.0
    rate_window_s: float = 0.0
    noise_mg: float = 0.0
    # variance of the level by a slow beat, and what of it is left in a mean over 4 and over 12 s
    beat_mg2: tuple[float, float, float] = (0.0, 0.0, 0.0)
    interval_s: float = 0.0
    last_reading_s: float = 0.0  # station seconds of the last reading, 0 none
    by_scoop: bool = False  # a feed that comes by scoop, as told or as seen
    same_count: int = 0  # identical readings in a row, up to now
    p_same: float = (
        0.0  # learned chance that a reading repeats its predecessor while nothing flows; 0 unknown
    )
    steady_since_s: int = 0  # start of the present undisturbed stretch
    changed_s: int = 0  # last second at which a disturbance of any kind ended
    away_since_s: int | None = None  # a person said that the container is away since then
    awaits: tuple[str, ...] = ()  # what was said and is waited for: change, away, decanted, sample


class Track(Protocol):
    """The contract of `core.track.scale.ScaleTrack`."""

    view: View

    def reading(self, at_ns: int, mg: int, stable: bool | None) -> None:
        """Take one usable reading (whole mg as shown). Hot: integers only."""

    def tick(self, now_s: int, expected_mg_s: float | None) -> list[Recognised]:
        """Close the second before ``now_s``; ``expected_mg_s``: rate expected from the feed, if known."""

    def delivered_at(self, second: int) -> float:
        """Cumulative delivered mass (mg) at an earlier station second, from the track's history."""

    def var_at(self, second: int) -> float:
        """`View.var_mg2` as it stood then."""

    def estimated_at(self, second: int) -> float:
        """`View.estimated_mg` as it stood then."""

    def tally(self, from_s: int, to_s: int) -> tuple[float, float, float]:
        """Mass of a span (mg), its standard uncertainty, and the part that was expected, not weighed."""

    def not_caught(self, from_s: int, to_s: int) -> tuple[float, float]:
        """What came in a span while a person said that no container stood there, and its uncertainty (mg)."""

    def container_set(self, now_s: int, tare_mg: float | None, at_s: int | None = None) -> Recognised:
        """The operator says that a fresh container stands there since ``at_s``; its tare may be told."""

    def say(self, now_s: int, saying: Saying) -> Recognised | None:
        """The operator says what a step of the weight was or will be. None: its step is waited for.

        ValueError, in the operator's words: that makes no sense now.
        """

    def unsay(self, said: Saying | int) -> Recognised | None:
        """Take back what was said, or the correction of a number, as if it had not been said.

        None: its step was still waited for. ValueError, in the operator's words: that is not possible.
        """

    def correct(self, number: int, was: str | None, credit_mg: float | None) -> float:
        """Correct what was recognised under a number (semantics: `core.actions.Correct`).

        Answers the change of delivered mass (mg). KeyError: no such number is remembered. ValueError, in
        the operator's words: it can't have been that.
        """
