"""What rules share when they are asked for their evidence: nothing here runs in the fold itself."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

from logger.core.rules.contract import OutletNow, StationNow
from logger.core.rules.expected import ExpectedFlow
from logger.core.rules.notice import evidence
from logger.core.rules.past import SETTLE_S, OutletPast
from logger.core.rules.said import frozen_score
from logger.core.track.view import TrackState, View

WINDOWS = (3, 4, 6, 8, 11, 16, 23, 32, 45, 64, 90, 128, 181, 256, 362, 512, 720)  # s
FROZEN_HOLD = 6.0  # nats, from which an outlet is not judged
_STATES = {
    TrackState.WAITING: "nothing believable was read yet",
    TrackState.DISTURBED: "something disturbs the scale",
    TrackState.OFF: "no container stands on the scale",
    TrackState.SILENT: "the scale is silent",
    TrackState.FROZEN: "the scale seems frozen",
}


@dataclass(frozen=True, slots=True)
class Window:
    """A window of an outlet, and how much (nats) it speaks against one that still delivers."""

    nats: float
    window_s: int
    came_mg: float
    expected_mg: float


def outlet_at(now: StationNow, subject: str) -> int | None:
    """The number of the outlet of that name; None where it is none."""
    return next((k for k, o in enumerate(now.outlets) if o.outlet.name == subject), None)


def not_believed(outlet: OutletNow, past: OutletPast | None, now_s: int) -> str:
    """Why what an outlet's scale shows is not judged now; "" where it is."""
    if past is None or outlet.now is None or outlet.now.track is None:
        return "it is not weighed"
    view = outlet.now.track.view
    if view.state is not TrackState.STEADY:
        return _STATES[view.state]
    if past.near_zero_s is not None:
        return "the scale shows about zero, where it may track its zero and swallow what comes"
    if frozen_score(outlet.now) > FROZEN_HOLD:
        return "the scale is oddly still: it may be frozen"
    if past.share is None:
        return "its share is not known yet"
    return _unsettled(view, now_s) if past.good_since_s is None else ""


def _unsettled(view: View, now_s: int) -> str:
    ago = now_s - max(view.changed_s, view.steady_since_s)
    return "the scale was disturbed a moment ago" if ago < 2 * SETTLE_S else "the scale is not settled"


def shortfalls(
    expected: ExpectedFlow,
    number: int,
    windows: Iterable[int],
    *,
    oldest_s: int,
    wander_least: float,
) -> list[Window]:
    """The evidence of each window that may be looked at, by the least mass of any credible lag.

    ``oldest_s``: no window starts before.
    """
    past, now_s = expected.outlets[number], expected.now_s
    found: list[Window] = []
    if past is None or past.share is None:
        return found
    wander = max(wander_least, expected.wander(number))
    for window in windows:
        start = now_s - window
        if start < oldest_s:
            break
        came, due, variance = expected.watched(number, start, now_s, least=True)
        due -= expected.draining(number, start, now_s)
        nats = evidence(due, max(came, 0.0), variance, past.lumps.phi_mg, wander) if due > 0.0 else 0.0
        found.append(Window(nats * expected.trust(number, due), window, came, due))
    return found


def loudest(windows: list[Window], asked: Callable[[int], float], ratio: float) -> tuple[Window | None, str]:
    """The window that comes nearest to what is asked of it (nats, by its seconds), or goes furthest beyond:
    first of those that could raise the alarm, then of all; and why it would not."""
    enough = [w for w in windows if w.nats >= asked(w.window_s) and w.came_mg <= ratio * w.expected_mg]
    best = max(enough or windows, key=lambda w: w.nats - asked(w.window_s), default=None)
    if best is None:
        return None, "too little was seen since it began to be watched, or since its last alarm"
    if not enough and best.nats >= asked(best.window_s):
        came = best.came_mg / best.expected_mg
        return best, f"{came:.0%} of what was due came, and this alarm takes {ratio:.0%} or less"
    return best, ""
