"""What a finding says in the store: which measurement, which tags besides run and lot, which fields.

A field has one type for ever: a mass, a rate or a share is a float also where it is whole. What is not known
is left out. Nothing here raises, whatever an older version of the program wrote into the journal.
"""

from __future__ import annotations

from collections.abc import Mapping
from math import isfinite
from typing import Any, NamedTuple, TypeAlias

from logger.core.entries import Finding
from logger.core.tagging import SLOT_NS, Tag
from logger.core.walltime import parse_rfc3339, rfc3339
from logger.followers.store.places import Layout, Place
from logger.followers.store.times import Times

LATE = ("run-closed", "run-changed")
"""Findings whose points lie at the end of the run that they are about, however late they were told."""
EVENTS = {f"run-{event}": event for event in ("opened", "closed", "changed", "withdrawn")}
STANDING = ("unacknowledged", "acknowledged")

Value: TypeAlias = float | int | bool | str


class Said(NamedTuple):
    """One point of a finding, without bay and time. ``run``: told of this run and of no other, "" of none.

    ``tag``: the run and lot as told; None: those that its time belongs to.
    """

    measurement: str
    station: str
    tags: dict[str, str]
    fields: dict[str, Value]
    run: str = ""
    tag: Tag | None = None


def moment(finding: Finding) -> int:
    """The station time of a finding's points (`run` left out), ns.

    What a run came to belongs to the run, but is told at its end or later: its last moment is no later than a
    slot before the end as it was told.
    """
    if finding.kind in LATE:
        end_ns = _time(_table(finding.data.get("tally")).get("end"))
        if end_ns is not None:
            return min(finding.at_ns, end_ns - SLOT_NS)
    return finding.at_ns


def said(finding: Finding, layout: Layout, times: Times) -> list[Said]:
    """The points of a finding; [] of a kind that goes to no store."""
    kind, data = finding.kind, finding.data
    if kind == "rates":
        return _rates(finding.subject, data, layout)
    if kind == "tally":
        return _tally(finding, data, layout)
    if kind == "alarm":
        return [_alarm(data)]
    if kind in EVENTS:
        tally = _table(data.get("tally"))
        return [_run(finding, times), *(_tally(finding, tally, layout) if tally else [])]
    return []


# ---------------------------------------------------------------------- rates


def _rates(station: str, data: Mapping[str, Any], layout: Layout) -> list[Said]:
    found = []
    if "feed" in data:
        found.append(_rate(Place(station, "feed"), data["feed"], ("kg_h", "u_kg_h"), layout))
    for name, pair in _table(data.get("outlets")).items():
        found.append(_rate(Place(station, "outlet", name), pair, ("kg_h", "u_kg_h"), layout))
    for name, pair in _table(data.get("water")).items():
        found.append(_rate(Place(station, "water", name), pair, ("l_min", "u_l_min"), layout))
    return [each for each in found if each.fields]


def _rate(place: Place, pair: Any, names: tuple[str, str], layout: Layout) -> Said:
    values = pair if isinstance(pair, list) and len(pair) == 2 else (None, None)
    return Said("rate", place.station, _tags(place, layout), _numbers(dict(zip(names, values, strict=True))))


# ---------------------------------------------------------------------- tallies

_OF_AN_OUTLET = {
    "delivered_kg": "delivered_kg",
    "u_kg": "u_kg",
    "estimated_kg": "estimated_kg",
    "not_caught_kg": "not_caught_kg",
    "yield": "yield",
    "u_yield": "u_yield",
}
_BY_HAND = {"net_kg": "by_hand_kg", "u_kg": "u_by_hand_kg"}
_OF_WATER = {
    "litres": "l",
    "u_l": "u_l",
    "unknown_l": "unknown_l",
    "u_unknown_l": "u_unknown_l",
    "unknown_s": "unknown_s",
    "l_per_kg": "l_per_kg",
    "u_l_per_kg": "u_l_per_kg",
}
_RHYTHM = {"held_back_kg": "held_back_kg", "missing_kg": "missing_kg", "u_missing_kg": "u_missing_kg"}


def _tally(finding: Finding, data: Mapping[str, Any], layout: Layout) -> list[Said]:
    """One point for the station, one for each outlet and one for each line of water."""
    run, station = _word(data.get("run")), _word(data.get("station"))
    points = [(Place(station), _of_the_station(data))]
    by_hand, rhythm = dict(_table(data.get("by_hand"))), _table(data.get("rhythm"))
    for key, outlet in _table(data.get("outlets")).items():
        name = _word(_table(outlet).get("name")) or key
        fields = _numbers(_named(outlet, _OF_AN_OUTLET)) | _numbers(_named(by_hand.pop(name, None), _BY_HAND))
        fields |= _numbers(_named(rhythm.get(name), _RHYTHM)) | _whole(
            "stops", _table(rhythm.get(name)).get("stops")
        )
        fields |= _text("says", _table(outlet).get("says")) | _flag("weighed", _table(outlet).get("weighed"))
        points.append((Place(station, "outlet", name), fields))
    for name, weighed in by_hand.items():  # of those that stand together on a scale, one by one
        points.append((Place(station, "outlet", name), _numbers(_named(weighed, _BY_HAND))))
    for name, water in _table(data.get("water")).items():
        points.append((Place(station, "water", name), _numbers(_named(water, _OF_WATER))))
    told: dict[str, Value] = _whole("told", finding.seq)
    return [
        Said("tally", station, _tags(place, layout), fields | told, run) for place, fields in points if fields
    ]


def _of_the_station(data: Mapping[str, Any]) -> dict[str, Value]:
    hold_up = _table(data.get("hold_up"))
    figures = {
        "feed_kg": data.get("feed_kg"),
        "u_feed_kg": data.get("feed_u_kg"),
        "hold_up_kg": data.get("hold_up_kg"),
        "u_hold_up_kg": hold_up.get("u_kg"),
        "hold_up_low_kg": hold_up.get("low_kg"),
        "hold_up_high_kg": hold_up.get("high_kg"),
    }
    return _numbers(figures) | _text("hold_up_how", data.get("hold_up_how")) | _flag("open", data.get("open"))


# ---------------------------------------------------------------------- alarms and runs


def _alarm(data: Mapping[str, Any]) -> Said:
    state, texts = _word(data.get("alarm_state")), {"change": data.get("state"), "id": data.get("id")}
    texts |= {"what": data.get("what"), "do": data.get("do"), "why": data.get("why")}
    fields: dict[str, Value] = {"state": state, "standing": int(state in STANDING)}
    for name, text in texts.items():
        fields |= _text(name, text)
    tags = {name: _word(data.get(name)) for name in ("kind", "subject")}
    return Said("alarm", _word(data.get("station")), tags, fields)


def _run(finding: Finding, times: Times) -> Said:
    data = _table(finding.data)
    old, new = _table(data.get("old")), _table(data.get("new")) or data
    if finding.kind == "run-withdrawn":
        new = old
    fields: dict[str, Value] = {"event": EVENTS[finding.kind]}
    for name in ("start", "end"):
        fields |= _text(name, _wall(new.get(name), times)) | _text(f"old_{name}", _wall(old.get(name), times))
    fields |= _text("old_lot", old.get("lot")) | _text("old_station", old.get("station"))
    tag = Tag(_word(data.get("run")) or finding.subject, _word(new.get("lot")))
    return Said("run", _word(new.get("station")), {}, fields, tag=tag)


# ---------------------------------------------------------------------- small things


def _tags(place: Place, layout: Layout) -> dict[str, str]:
    """Channel and outlet; a line of water that has no meter any more goes by its own name."""
    other = place.name if place.role == "water" else ""
    return {"channel": layout.channels.get(place, other), "outlet": place.outlet}


def _table(told: Any) -> Mapping[str, Any]:
    return told if isinstance(told, dict) else {}


def _named(told: Any, names: Mapping[str, str]) -> dict[str, Any]:
    return {ours: _table(told).get(theirs) for theirs, ours in names.items()}


def _numbers(told: Mapping[str, Any]) -> dict[str, Value]:
    return {
        name: float(value)
        for name, value in told.items()
        if isinstance(value, int | float) and not isinstance(value, bool) and isfinite(value)
    }


def _whole(name: str, value: Any) -> dict[str, Value]:
    return {name: value} if isinstance(value, int) and not isinstance(value, bool) else {}


def _flag(name: str, value: Any) -> dict[str, Value]:
    return {name: value} if isinstance(value, bool) else {}


def _text(name: str, value: Any) -> dict[str, Value]:
    return {name: value} if isinstance(value, str) and value else {}


def _word(value: Any) -> str:
    return value if isinstance(value, str) else ""


def _time(text: Any) -> int | None:
    try:
        return parse_rfc3339(text)
    except (ValueError, TypeError):
        return None


def _wall(text: Any, times: Times) -> str | None:
    at_ns = _time(text)
    return None if at_ns is None else rfc3339(times.wall_ns(at_ns))
