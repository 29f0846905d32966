"""The payloads, as they can be relied on: no field is missing, and none comes that is not told here.

Masses in kg, rates in kg/h, flows in L/min, shares as fractions of 1; ``u_`` is a standard uncertainty; null:
not known, not measured or not told. Times are RFC 3339. ``seq`` and ``at`` say as of which entry of the
journal, and when.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field

Share = Annotated[float, Field(ge=0.0, le=1.0)]
Beacon = Literal["off", "steady", "flashing"]


class Payload(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Retained(Payload):
    seq: int = Field(ge=0, description="The newest entry of the journal that it takes in.")
    at: str = Field(description="When that was, in the bay's own time, as on the board.")


class Run(Payload):
    run: str
    since: str
    feed_ended: str | None = Field(
        description="When the feed was said to be over; the deck runs empty since."
    )


class Lot(Payload):
    lot: str
    material: str


class Feed(Payload):
    kind: Literal["hopper", "tub", "unweighed"]
    state: str = Field(description="steady, stopped, … as on the board; unweighed where no scale is there.")
    rate_kg_h: float | None
    u_rate_kg_h: float | None
    target_kg_h: float | None
    band_low_kg_h: float | None
    band_high_kg_h: float | None
    used_kg: float | None = Field(description="Fed in the open run, refills left out.")
    u_used_kg: float | None
    level_kg: float | None = Field(description="What is still in the hopper or the tub.")


class Recovery(Payload):
    component: str
    outlet: str
    value: Share
    low: Share = Field(description="Lower end of the 95 % interval.")
    high: Share
    basis: Literal["outlets", "feed"] = Field(description="What stands for the whole.")
    estimated: bool = Field(description="It rests on expected grades, not on assays of this run.")


class Mass(Payload):
    kg: float
    u_kg: float
    low_kg: float
    high_kg: float


class Water(Payload):
    name: str
    to: str
    state: str
    flow_l_min: float | None
    u_flow_l_min: float | None
    low_l_min: float | None = Field(description="Lower end of the band it is to keep within.")
    high_l_min: float | None
    l_per_kg: float | None = Field(description="Water per mass of feed, lately.")


class StationState(Retained):
    """``ROOT/station/S``"""

    station: str
    clock: Literal["no-run", "running", "paused"] = Field(description="Whether time counts for a run.")
    paused_since: str | None
    run: Run | None
    lot: Lot | None
    feed: Feed
    hold_up: Mass | None = Field(description="What lies on the deck, estimated, with its 95 % interval.")
    recovery: Recovery | None
    water: list[Water]


class OutletState(Retained):
    """``ROOT/station/S/outlet/O``"""

    station: str
    outlet: str
    state: str = Field(description="steady, away, … as on the board; unweighed where no scale is there.")
    says: str | None = Field(description="What its mass is: wet, solids, with water, by difference, …")
    delivered_kg: float | None
    u_kg: float | None
    estimated_kg: float | None = Field(description="That part of it which no container on the scale caught.")
    rate_kg_h: float | None
    u_rate_kg_h: float | None
    yield_: float | None = Field(alias="yield", description="Delivered per mass of feed used; no recovery.")
    u_yield: float | None
    content_kg: float | None = Field(description="What is in the container.")
    fill: float | None = Field(description="How full the container is; 1: it must be changed.")
    full_in_s: float | None
    notice_s: float | None = Field(description="How soon a stop of this outlet would be noticed.")


class AlarmState(Retained):
    """``ROOT/alarm/…``"""

    id: str
    kind: str
    station: str = Field(description='"" for an alarm of the whole bay.')
    subject: str
    channel: str
    state: Literal[
        "normal",
        "unacknowledged",
        "acknowledged",
        "returned-unacknowledged",
        "latched",
        "shelved",
        "suppressed",
        "out-of-service",
    ]
    since: str | None = Field(description="When the condition is thought to have begun.")
    state_since: str | None
    what: str
    do: str
    recorded: bool = Field(description="false: the journal could not be written, so this is not in it yet.")


class RecordState(Retained):
    """``ROOT/record``"""

    state: Literal["recorded", "not-recorded"]
    held: int = Field(ge=0, description="Records held in memory until the journal can be written.")
    message: str


class Event(Payload):
    """``ROOT/event/KIND``: a finding that is in the journal. It may come twice: ``seq`` tells."""

    seq: int = Field(ge=1, description="Its own number in the journal.")
    cause: int = Field(ge=0, description="The entry that caused it.")
    at: str = Field(description="When, by the wall clock as far as it is known when this is sent.")
    kind: str
    subject: str
    data: dict[str, Any]


PLAIN: dict[str, dict[str, Any]] = {
    "status": {"enum": ["online", "offline"]},
    "beacon": {"enum": ["off", "steady", "flashing"]},
    "sounder": {"enum": ["on", "off"]},
    "count": {"type": "string", "pattern": "^[0-9]+$"},
}
"""Payloads that are read without parsing: the text itself is the value."""

BY_TOPIC: dict[str, str] = {
    "status": "status",
    "record": "RecordState",
    "alarms/unacknowledged": "count",
    "alarms/standing": "count",
    "beacon": "beacon",
    "sounder": "sounder",
    "station/+": "StationState",
    "station/+/beacon": "beacon",
    "station/+/outlet/+": "OutletState",
    "alarm/+/+": "AlarmState",
    "alarm/+/+/+": "AlarmState",
    "event/+": "Event",
}
"""Below the root, with + for one level: which payload comes there."""

_MODELS = (StationState, OutletState, AlarmState, RecordState, Event)


def schema() -> dict[str, Any]:
    """JSON Schema 2020-12."""
    defs: dict[str, Any] = dict(PLAIN)
    for model in _MODELS:
        made = model.model_json_schema(by_alias=True, ref_template="#/$defs/{model}")
        defs |= made.pop("$defs", {})
        defs[model.__name__] = made
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "What Tallydeck publishes by MQTT",
        "description": (
            "One message: its topic below the root, and its payload; one that is read without parsing is a "
            "string. The payload alone keeps to the definition that its topic names here."
        ),
        "type": "object",
        "properties": {"topic": {"type": "string"}, "payload": True},
        "required": ["topic", "payload"],
        "additionalProperties": False,
        "oneOf": [
            {"properties": {"topic": {"pattern": _pattern(topic)}, "payload": {"$ref": f"#/$defs/{name}"}}}
            for topic, name in BY_TOPIC.items()
        ],
        "$defs": defs,
    }


def _pattern(topic: str) -> str:
    return "^" + topic.replace("+", "[^/+#]+") + "$"
