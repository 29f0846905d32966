"""A bay that is looked at after each second of a span, while the record is folded as it always is."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from logger.core.bay import Bay
from logger.core.description import Bay as BayDescription
from logger.core.entries import Finding
from logger.core.rules.contract import ChannelNow, Evidence, Evident, EvidentOfChannel
from logger.core.station import StationFold

RATIO_S = 120
"""Over so long the outlets' delivered / expected is told."""
NOTICE_EVERY_S = 10


class ProbedBay(Bay):
    """The fold itself, unchanged; ``look`` is called after each of its seconds."""

    def __init__(self, description: BayDescription, look: Callable[[ProbedBay, int], None]) -> None:
        super().__init__(description)
        self._look = look

    @classmethod
    def of(cls, bay: Bay, look: Callable[[ProbedBay, int], None]) -> ProbedBay:
        """The same fold, as it stands, from now on looked at; ``bay`` itself is not to be used any more."""
        probed = cls.__new__(cls)
        probed.__dict__.update(bay.__dict__)
        probed._look = look
        return probed

    def _tick(self, now_s: int, found: list[Finding]) -> None:
        super()._tick(now_s, found)
        self._look(self, now_s)


@dataclass(frozen=True, slots=True)
class Second:
    """What was known at the end of a second. Masses in mg, rates in mg/s, None: not known.

    ``due_mg`` is what the second ought to have brought, ``came_mg`` cumulative as it was counted then,
    ``u_level_mg`` the standard uncertainty of a weight. ``ratios`` are delivered / expected of all weighed
    outlets over `RATIO_S`. ``alarm_states`` are by the rule's kind.
    """

    at_s: int
    track: str
    shown: float | None  # kg, or L/min
    came_mg: float | None
    due_mg: float | None
    u_level_mg: float
    share: float | None
    lag_s: float | None
    phi_mg: float | None
    wander: float | None
    notice_s: float | None
    feed_mg_s: float | None
    u_feed_mg_s: float | None
    feed_stopped: bool
    paused: bool
    run_open: bool
    ratios: dict[str, float | None] = field(default_factory=dict)
    evidence: dict[str, Evidence] = field(default_factory=dict)
    alarm_states: dict[str, str] = field(default_factory=dict)
    suppressed_by: dict[str, str] = field(default_factory=dict)


@dataclass(slots=True)
class Subject:
    """Whom it is about: an outlet, the feed or a water line of a station; or an instrument (station "")."""

    station: str
    name: str

    def channel(self, bay: Bay) -> ChannelNow | None:
        """The instrument that shows it; None: nothing does."""
        if not self.station:
            return bay.channels[self.name].now if self.name in bay.channels else None
        now = bay.stations[self.station].now
        if self.name == "feed":
            return now.feed
        shown = {outlet.outlet.name: outlet.now for outlet in now.outlets}
        shown |= {line.name: c for line, c in zip(now.station.water, now.water, strict=False)}
        return shown.get(self.name)

    def outlet(self, bay: Bay) -> int | None:
        """The number of the outlet; None where it is none."""
        if not self.station:
            return None
        outlets = bay.stations[self.station].station.outlets
        return next((k for k, outlet in enumerate(outlets) if outlet.name == self.name), None)


class Probe:
    """Looks at one subject, each second from ``from_s`` to ``to_s``."""

    def __init__(self, subject: Subject, from_s: int, to_s: int) -> None:
        self.subject, self.from_s, self.to_s = subject, from_s, to_s
        self.seconds: list[Second] = []
        self._notice: float | None = None

    def __call__(self, bay: ProbedBay, now_s: int) -> None:
        if self.from_s <= now_s <= self.to_s:
            self.seconds.append(self._look(bay, now_s))

    def _look(self, bay: ProbedBay, now_s: int) -> Second:
        channel = self.subject.channel(bay)
        station = bay.stations[self.subject.station] if self.subject.station else None
        evidence = self._evidence(bay, channel, station, now_s)
        states, excused = self._states(bay, evidence)
        about = {} if station is None else self._about(bay, station, now_s)
        if about.get("due_mg") is None and self.subject.name == "feed":
            about["due_mg"] = _usual(evidence)
        return Second(
            at_s=now_s, evidence=evidence, alarm_states=states, suppressed_by=excused,
            **(_NOTHING | _shown(channel) | about),
        )  # fmt: skip

    def _evidence(
        self, bay: Bay, channel: ChannelNow | None, station: StationFold | None, now_s: int
    ) -> dict[str, Evidence]:
        found: list[Evidence | None] = []
        if station is not None:
            rules = [rule for rule in station.rules if isinstance(rule, Evident)]
            found += [rule.evidence(self.subject.name, station.now) for rule in rules]
        if channel is not None:
            kept = bay.channels[channel.channel.name].rules
            found += [rule.evidence(now_s, channel) for rule in kept if isinstance(rule, EvidentOfChannel)]
        return {each.kind: each for each in found if each is not None}

    def _states(self, bay: Bay, evidence: dict[str, Evidence]) -> tuple[dict[str, str], dict[str, str]]:
        """The states of the alarms, and what suppresses those that are."""
        states, excused = {}, {}
        for kind, each in evidence.items():
            for name in (f"{self.subject.station}/{kind}/{each.subject}", f"{kind}/{each.subject}"):
                alarm = bay.alarms.find(name.lstrip("/"))
                if alarm is None:
                    continue
                states[kind] = str(alarm.state)
                if alarm.judged.active and alarm.judged.suppressed:
                    excused[kind] = str(alarm.judged.evidence.get("suppressed_by", "another cause"))
        return states, excused

    def _about(self, bay: Bay, station: StationFold, now_s: int) -> dict[str, Any]:
        now, expected = station.now, station.expected
        about: dict[str, Any] = {
            "feed_stopped": now.feed_stopped_since_s is not None,
            "paused": now.paused_since_s is not None,
            "run_open": now.run_since_s is not None,
            "ratios": _ratios(station, now_s),
        }
        if now.feed is not None and now.feed.track is not None:
            view = now.feed.track.view
            about |= {"feed_mg_s": view.rate_mg_s, "u_feed_mg_s": view.u_rate_mg_s}
        number = self.subject.outlet(bay)
        past = None if number is None else expected.outlets[number]
        if number is None or past is None:
            return about
        if now_s % NOTICE_EVERY_S == 0 or self._notice is None:
            self._notice = station.notice_s(number)
        known = past.share is not None
        return about | {
            "due_mg": expected.expected_between(number, now_s - 1, now_s) if known else None,
            "share": now.outlets[number].share,
            "lag_s": now.outlets[number].lag_s,
            "phi_mg": past.lumps.phi_mg,
            "wander": past.lumps.wander,
            "notice_s": self._notice,
            "u_level_mg": max(expected.level_var(past), 0.0) ** 0.5,
        }


_NOTHING: dict[str, Any] = {
    "track": "", "shown": None, "came_mg": None, "due_mg": None, "u_level_mg": 0.0, "share": None,
    "lag_s": None, "phi_mg": None, "wander": None, "notice_s": None, "feed_mg_s": None,
    "u_feed_mg_s": None, "feed_stopped": False, "paused": False, "run_open": False,
}  # fmt: skip


def _shown(channel: ChannelNow | None) -> dict[str, Any]:
    if channel is None:
        return {}
    if channel.track is None:
        state = "" if channel.flow is None else str(channel.flow.view.state)
        return {"track": state, "shown": None if channel.flow is None else channel.flow.view.rate_l_min}
    view = channel.track.view
    return {
        "track": str(view.state),
        "shown": view.level_mg / 1e6 if view.last_reading_s else None,
        "came_mg": view.delivered_mg,
        "u_level_mg": max(view.level_var_mg2, 0.0) ** 0.5,
    }


def _usual(evidence: dict[str, Evidence]) -> float | None:
    """What a second of the feed usually brings (mg), as the rule about its stops takes it."""
    stop = evidence.get("feed-stopped")
    rate = None if stop is None else stop.extra.get("usual_kg_h")
    return None if rate is None else float(rate) / 3.6e-3


def _ratios(station: StationFold, now_s: int) -> dict[str, float | None]:
    ratios: dict[str, float | None] = {}
    for number, outlet in enumerate(station.station.outlets):
        if outlet.channel is None:
            continue
        came, due, _ = station.expected.watched(number, now_s - RATIO_S, now_s)
        ratios[outlet.name] = came / due if due > 0.0 else None
    return ratios
