"""The snapshot: what the bay looks like now, as plain JSON for the board and whoever asks the API.

Masses in kg, rates in kg/h, shares as fractions of 1. None: not known, not measured or not told.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, tzinfo
from math import isfinite
from typing import Any

from logger.core.alarm_list import alarm_json
from logger.core.bay import Bay
from logger.core.pace import pace_json
from logger.core.rhythm_words import cost, rhythm_json
from logger.core.rules.container_near_full import full_mg, gross_mg, shown_mg
from logger.core.rules.contract import ChannelNow, OutletNow
from logger.core.shifts import shift_at
from logger.core.solids import solids, span_s
from logger.core.station import StationFold
from logger.core.tally import OutletTally, Tally, hold_up_json, span_mass
from logger.core.track.flow_view import FlowView
from logger.core.track.saying import WORDS
from logger.core.walltime import rfc3339
from logger.core.water import WaterTally, water_tally

NS = 10**9
KG_H = 3.6e-3  # kg/h in a mg/s
SHOWN_RECOGNISED = 8


def picture(
    bay: Bay, recording: Mapping[str, Any], health: Mapping[str, str], version: str, zone: tzinfo = UTC
) -> dict[str, Any]:
    """The whole snapshot; ``health`` gives a last message by instrument. `seq` and `at` are the loop's."""
    shift = shift_at(bay.at_ns, zone, bay.description.shifts)
    return {
        "bay": bay.description.name,
        "units": bay.description.units,
        "time_zone": bay.description.time_zone,
        "shift": None
        if shift is None
        else {"start": rfc3339(shift.start_ns, zone), "end": rfc3339(shift.end_ns, zone)},
        "version": version,
        "recording": dict(recording),
        "stations": [_station(bay, fold) for fold in bay.stations.values()],
        "alarms": [alarm_json(alarm, bay.at_ns) for alarm in bay.alarms.active()],
        "weighing": [each.to_json() for each in bay.books.pending],
        "recognised": list(reversed(bay.recognised))[:SHOWN_RECOGNISED],
        "instruments": [_instrument(bay, name, health.get(name, "")) for name in bay.channels],
    }


def _round(value: float | None, digits: int = 5) -> float | None:
    return None if value is None or not isfinite(value) else round(value, digits)


def _station(bay: Bay, fold: StationFold) -> dict[str, Any]:
    book = bay.books.stations[fold.station.name]
    run = book.open_run
    now_s = max(bay.at_ns // NS, 0)
    tally = None if run is None else fold.tally(run.start_ns // NS, now_s, bay.keeper.said_masses(run))
    pause = book.paused
    lot = None if run is None or run.lot is None else bay.books.lots[run.lot]
    return {
        "name": fold.station.name,
        "component": fold.station.component,
        "lot": None if lot is None else lot.to_json(),
        "run": None
        if run is None
        else {
            "run": run.run,
            "since": rfc3339(run.start_ns),
            "elapsed_s": max(0, (bay.at_ns - run.start_ns) // NS),
            "feed_ended": None if run.feed_ended_ns is None else rfc3339(run.feed_ended_ns),
        },
        "paused_since": None if pause is None else rfc3339(pause.from_ns),
        "settings": dict(book.settings),
        "feed": _feed(fold, tally) | {"pace": pace_json(fold.pace, bay.description.units)},
        "outlets": [
            _outlet(fold, index, outlet, None if tally is None else tally.outlets[index])
            | {"rhythm": _rhythm(bay, fold, index)}
            for index, outlet in enumerate(fold.now.outlets)
        ],
        "water": _waters(fold, tally),
        "solids": _solids(fold),
        "recovery": _recovery(fold, tally),
        "hold_up_kg": None if tally is None else _round(tally.hold_up_kg),
        "hold_up": None if tally is None else hold_up_json(tally.deck),
    }


def _feed(fold: StationFold, tally: Tally | None) -> dict[str, Any]:
    feed, now = fold.station.feed, fold.now.feed
    view = None if now is None or now.track is None else now.track.view
    target = feed.target_kg_h
    used = None if tally is None else tally.feed
    return {
        "kind": str(feed.kind),
        "channel": feed.channel,
        "weighed": now is not None,
        "rate_kg_h": None if view is None else _round(view.rate_mg_s * KG_H, 3),
        "u_rate_kg_h": None if view is None else _round(view.u_rate_mg_s * KG_H, 3),
        "target_kg_h": target,
        "band_low_kg_h": None if target is None else _round(target * (1 - feed.band), 3),
        "band_high_kg_h": None if target is None else _round(target * (1 + feed.band), 3),
        "used_kg": None if used is None else _round(used.kg),
        "u_used_kg": None if used is None else _round(used.u_kg),
        "level_kg": None if view is None else _round(view.level_mg / 1e6),
        "state": "unweighed"
        if view is None
        else ("stopped" if fold.now.feed_stopped_since_s is not None else str(view.state)),
    }


def _outlet(fold: StationFold, index: int, now: OutletNow, tally: OutletTally | None) -> dict[str, Any]:
    outlet = now.outlet
    track = None if now.now is None else now.now.track
    view = None if track is None else track.view
    mass = None if tally is None else tally.delivered
    return {
        "name": outlet.name,
        "channel": outlet.channel,
        "weighed": track is not None,
        "by_difference": tally is not None and tally.by_difference,
        "kind": str(outlet.container.kind),
        "says": None if tally is None else tally.says,
        "delivered_kg": None if mass is None else _round(mass.kg),
        "u_kg": None if mass is None else _round(mass.u_kg),
        "estimated_kg": None if mass is None else _round(mass.estimated_kg),
        "rate_kg_h": None if view is None else _round(view.rate_mg_s * KG_H, 3),
        "u_rate_kg_h": None if view is None else _round(view.u_rate_mg_s * KG_H, 3),
        "yield": None if tally is None else _round(tally.share),
        "u_yield": None if tally is None else _round(tally.u_share),
        "state": "unweighed" if view is None else str(view.state),
        "away_since": None if view is None or view.away_since_s is None else rfc3339(view.away_since_s * NS),
        "awaits": [] if view is None else [WORDS[what] for what in view.awaits],
        "not_caught_kg": None if mass is None else _round(mass.not_caught_kg),
        "notice_s": None if fold.now.run_since_s is None else _round(fold.notice_s(index), 1),
        "lag_s": _round(now.lag_s, 1),
    } | _fill(now)


def _rhythm(bay: Bay, fold: StationFold, index: int) -> dict[str, Any] | None:
    """How often a weighed outlet plugged in the open run, what it cost, and over all runs of the lot."""
    run = bay.books.stations[fold.station.name].open_run
    if run is None or fold.now.outlets[index].now is None:
        return None
    now_s, unit = fold.now.now_s, bay.description.units
    told = rhythm_json(fold.rhythm.over(index, [bay.keeper.span_s(run, now_s)], now_s), now_s)
    lot = bay.keeper.lot_spans(run, now_s)
    return told | {
        "cost": cost(told, unit),
        "lot": rhythm_json(fold.rhythm.over(index, lot, now_s), now_s) if len(lot) > 1 else None,
    }


def _fill(now: OutletNow) -> dict[str, Any]:
    """How full the container is, and when it will be."""
    full = None if now.now is None else full_mg(now.outlet, now.now)
    full_kg = now.outlet.container.full_kg if full is None else full / 1e6
    track = None if now.now is None else now.now.track
    if track is None:
        return {"content_kg": None, "fill": None, "full_kg": full_kg, "full_in_s": None}
    view = track.view
    content = None if view.content_mg is None else _round(view.content_mg / 1e6)
    if full is None or full <= 0:
        return {"content_kg": content, "fill": None, "full_kg": None, "full_in_s": None}
    sure = view.rate_mg_s > 3 * view.u_rate_mg_s and view.rate_mg_s > 0
    gross = full if now.now is None else gross_mg(now.outlet, now.now)
    left_s = (full - gross) / shown_mg(view.rate_mg_s, now.outlet) if sure else None
    return {
        "content_kg": content,
        "fill": _round(min(1.5, max(0.0, gross / full)), 4),
        "full_kg": full_kg,
        "full_in_s": None if left_s is None else _round(max(0.0, left_s), 0),
    }


def _waters(fold: StationFold, tally: Tally | None) -> list[dict[str, Any]]:
    """Each line: its flow now, what it gave in the run, and water per mass of feed lately."""
    now = fold.now
    span = span_s(now)
    fed = None if now.feed is None else span_mass(now.feed, now.now_s - span, now.now_s)
    lately = water_tally(now, now.now_s - span, now.now_s, None if fed is None else (fed.kg, fed.u_kg))
    runs = (None,) * len(lately) if tally is None else tally.water
    return [_water(channel, late, run) for channel, late, run in zip(now.water, lately, runs, strict=True)]


def _water(now: ChannelNow, late: WaterTally, run: WaterTally | None) -> dict[str, Any]:
    line, flow = late.line, now.flow
    view = FlowView() if flow is None else flow.view
    known = view.rate_l_min is not None
    told = None if run is None else run.to_json()
    return {
        "name": line.name,
        "channel": line.channel,
        "to": line.goes_to,
        "state": str(view.state),
        "flow_l_min": _round(view.rate_l_min, 3),
        "u_flow_l_min": _round(view.u_rate_l_min, 3) if known else None,
        "low_l_min": line.low_l_min,
        "high_l_min": line.high_l_min,
        "l_per_kg": _round(late.l_per_kg, 4),
        "u_l_per_kg": _round(late.u_l_per_kg, 4),
        "resets": view.resets,
        "run": told,
    }


def _solids(fold: StationFold) -> dict[str, Any] | None:
    """How thick the feed comes; None where no meter measures the water that comes with it."""
    pulp = solids(fold.now)
    if pulp is None:
        return None
    return {
        "share": _round(pulp.share, 4),
        "u": _round(pulp.u, 4),
        "limit": fold.station.feed.most_solids,
        "span_s": pulp.span_s,
        "why": pulp.why,
    }


def _recovery(fold: StationFold, tally: Tally | None) -> dict[str, Any] | None:
    return None if tally is None else fold.recovery(tally)


def _shown(now: ChannelNow) -> float | None:
    if now.flow is not None:
        return _round(now.flow.view.rate_l_min)
    return _round(now.value) if now.readings else None


def _instrument(bay: Bay, name: str, message: str) -> dict[str, Any]:
    fold = bay.channels[name]
    now: ChannelNow = fold.now
    link = "none" if now.link_up is None else ("up" if now.link_up else "down")
    age = None if not now.readings else _round(max(0.0, bay.at_ns / NS - now.last_reading_s), 1)
    return {
        "name": name,
        "link": link,
        "age_s": age,
        "value": _shown(now),
        "unit": "L/min" if now.channel.quantity == "flow" else "kg",
        "status": now.status,
        "message": message or fold.message,
    }
