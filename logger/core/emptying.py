"""Whether the deck has run empty after the feed ended.

Each weighed outlet must have delivered nothing that its scale could show, over half a minute or half its
lag, whichever is longer; unweighed outlets are not asked. After a quarter of an hour it is given up, and
said. Common practice, no source; the spans are assumed.
"""

from __future__ import annotations

from math import sqrt

from logger.core.rules.contract import StationNow

LEAST_S = 30
MOST_S = 900


def emptied(now: StationNow, ended_s: int) -> str:
    """``emptied``, ``not-emptied`` (waited in vain), or "" (not yet). ``ended_s``: the feed's end."""
    waited_s = now.now_s - ended_s
    if waited_s >= MOST_S:
        return "not-emptied"
    weighed = [o for o in now.outlets if o.now is not None and o.now.track is not None and o.now.readings]
    for outlet in weighed:
        span_s = max(LEAST_S, round(0.5 * (outlet.lag_s or 0.0)))
        if waited_s < (outlet.lag_s or 0.0) + span_s:
            return ""
        assert outlet.now is not None and outlet.now.track is not None  # noqa: S101, PT018 - chosen so
        track, view = outlet.now.track, outlet.now.track.view
        came_mg = track.delivered_at(now.now_s) - track.delivered_at(now.now_s - span_s)
        shown_mg = max(outlet.now.channel.resolution_kg * 1e6, 3.0 * sqrt(2.0 * view.level_var_mg2))
        if came_mg > shown_mg:
            return ""
    return "emptied" if waited_s >= LEAST_S and weighed else ""
