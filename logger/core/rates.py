"""What flows at a station now, as plain JSON: for the record, every few seconds while a run is open."""

from __future__ import annotations

from math import isfinite
from typing import Any

from logger.core.rules.contract import ChannelNow, StationNow

KG_H = 3.6e-3  # kg/h in a mg/s


def rates_json(station: StationNow) -> dict[str, Any]:
    """Feed and outlets in kg/h, water in L/min, each as [rate, standard uncertainty]; None: not known.

    What nothing measures is left out.
    """
    outlets = {o.outlet.name: _mass(o.now) for o in station.outlets if o.now is not None}
    water = {line.name: _flow(now) for line, now in zip(station.station.water, station.water, strict=True)}
    feed = {} if station.feed is None or station.feed.track is None else {"feed": _mass(station.feed)}
    return feed | {"outlets": outlets, "water": water}


def _mass(now: ChannelNow) -> list[float | None] | None:
    view = None if now.track is None else now.track.view
    return None if view is None else _pair(view.rate_mg_s * KG_H, view.u_rate_mg_s * KG_H)


def _flow(now: ChannelNow) -> list[float | None] | None:
    view = None if now.flow is None else now.flow.view
    if view is None or view.rate_l_min is None:
        return None
    return _pair(view.rate_l_min, view.u_rate_l_min)


def _pair(rate: float, u: float) -> list[float | None] | None:
    if not isfinite(rate):
        return None
    return [round(rate, 4), round(u, 4) if isfinite(u) else None]
