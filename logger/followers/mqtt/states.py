"""What is kept at the broker of how the bay stands: a snapshot -> a payload for each topic. Pure.

The same state gives the same text, so that it is sent only where something changed: `seq` and `at`, which
change all the time, are put in front by `with_head` when it is sent.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import cache
from typing import Any

from pydantic import BaseModel

from logger.core.alarm_states import State
from logger.followers.mqtt.messages import (
    AlarmState,
    Feed,
    Lot,
    Mass,
    OutletState,
    RecordState,
    Recovery,
    Retained,
    Run,
    StationState,
    Water,
)
from logger.followers.mqtt.topics import Topics

Snapshot = Mapping[str, Any]
States = dict[str, str]
"""Topic -> payload; one that begins with { still wants its head."""

HEAD = {"seq", "at"}
UNSEEN = frozenset({State.UNACKNOWLEDGED, State.RETURNED})
"""Somebody is still to say that they saw it."""
STANDING = frozenset({State.UNACKNOWLEDGED, State.ACKNOWLEDGED, State.LATCHED})
"""The condition holds, or what it did is still to be put right. What is silenced is in neither."""


def with_head(payload: str, seq: int, at: str) -> str:
    """The payload as it is sent; a plain one as it is."""
    return f'{{"seq":{seq},"at":"{at}",{payload[1:]}' if payload.startswith("{") else payload


class Alarms:
    """Every alarm there could be, as it stands. Keeps which of them the journal has not got yet."""

    def __init__(self, topics: Topics) -> None:
        self._topics = topics
        self._known: dict[str, Mapping[str, Any]] = {}
        self._recorded: dict[str, str] = {}

    def know(self, alarms: Iterable[Mapping[str, Any]]) -> None:
        """Alarms that could be raised, as plain JSON (`core.alarm_list`)."""
        for alarm in alarms:
            self._known.setdefault(alarm["id"], alarm)

    def states(self, snapshot: Snapshot) -> States:
        """The topics of all alarms, and the plain ones that sum them up."""
        listed = {alarm["id"]: alarm for alarm in snapshot["alarms"]}
        self.know(listed.values())
        recorded = snapshot["recording"]["state"] == "recorded"
        made = summed(self._topics, snapshot)
        for name, known in self._known.items():
            alarm = listed.get(name)
            made[self._topics.alarm(name, known["station"])] = self._state(known, alarm, recorded)
        return made

    def _state(self, known: Mapping[str, Any], alarm: Mapping[str, Any] | None, recorded: bool) -> str:
        name = known["id"]
        told = {key: known[key] for key in ("id", "kind", "station", "subject", "channel")}
        if alarm is None:
            told |= {"state": str(State.NORMAL), "since": None, "state_since": None, "what": "", "do": ""}
        else:
            told |= {key: alarm[key] for key in ("state", "since", "state_since", "what", "do")}
        plain = _text(AlarmState, told | {"recorded": True})
        if recorded or self._recorded.get(name) == plain:
            self._recorded[name] = plain
            return plain
        return _text(AlarmState, told | {"recorded": False})


def summed(topics: Topics, snapshot: Snapshot) -> States:
    """What a beacon, a sounder or a counter needs, without parsing."""
    alarms = snapshot["alarms"]
    unseen = sum(alarm["state"] in UNSEEN for alarm in alarms)
    made = {
        topics.sounder: "on" if unseen else "off",
        topics.beacon: _beacon(alarms),
        topics.unacknowledged: str(unseen),
        topics.standing: str(sum(alarm["state"] in STANDING for alarm in alarms)),
    }
    for station in snapshot["stations"]:
        name = station["name"]
        made[topics.station_beacon(name)] = _beacon(a for a in alarms if a["station"] == name)
    return made


def _beacon(alarms: Iterable[Mapping[str, Any]]) -> str:
    states = {alarm["state"] for alarm in alarms}
    if states & UNSEEN:
        return "flashing"
    return "steady" if states & STANDING else "off"


def record(topics: Topics, snapshot: Snapshot) -> States:
    """Whether what happens gets into the journal."""
    return {topics.record: _text(RecordState, _picked(RecordState, snapshot["recording"]))}


def stations(topics: Topics, snapshot: Snapshot) -> States:
    """Every station and every outlet."""
    made: States = {}
    for station in snapshot["stations"]:
        name = station["name"]
        made[topics.station(name)] = _text(StationState, _station(station))
        for outlet in station["outlets"]:
            own = {"station": name, "outlet": outlet["name"]}
            made[topics.outlet(name, outlet["name"])] = _text(OutletState, _picked(OutletState, outlet | own))
    return made


def _station(station: Mapping[str, Any]) -> dict[str, Any]:
    run, since = station["run"], station["paused_since"]
    return {
        "station": station["name"],
        "clock": "no-run" if run is None else ("running" if since is None else "paused"),
        "paused_since": since,
        "run": _picked(Run, run),
        "lot": _picked(Lot, station["lot"]),
        "feed": _picked(Feed, station["feed"]),
        "hold_up": _picked(Mass, station["hold_up"]),
        "recovery": _picked(Recovery, station["recovery"]),
        "water": [_picked(Water, line) for line in station["water"]],
    }


def _picked(model: type[BaseModel], told: Mapping[str, Any] | None) -> Any:
    """Those fields that the payload has; None stays None."""
    return None if told is None else {key: told[key] for key in _keys(model)}


@cache
def _keys(model: type[BaseModel]) -> tuple[str, ...]:
    fields = model.model_fields.items()
    return tuple(field.alias or name for name, field in fields if name not in HEAD)


def _text(model: type[Retained], told: Mapping[str, Any]) -> str:
    """Checked, and as JSON without its head."""
    made = model.model_validate({"seq": 0, "at": "", **told})
    return made.model_dump_json(exclude=HEAD, by_alias=True)
