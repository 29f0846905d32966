"""The script of a simulated bay: lets troubles begin and end, and notes what truly happened and when."""

from __future__ import annotations

import heapq
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, fields, replace
from functools import partial
from random import Random
from typing import Any, TypeAlias

from logger.simulator import troubles as t
from logger.simulator.physics import Physics
from logger.simulator.scale import ScaleModel

Undo: TypeAlias = Callable[[float], None]
"""Ends a trouble; takes the time (s)."""

_PLACE_AND_TIME = ("at_s", "until_s", "outlet", "channel", "line")


@dataclass(frozen=True, slots=True)
class Event:
    """Something that truly happened. ``kind`` is the trouble's name in small letters with hyphens;
    ``subject`` an outlet or channel, or ``feed``; ``until_s`` None: it had not ended."""

    at_s: float
    kind: str
    subject: str
    until_s: float | None = None
    data: dict[str, Any] = field(default_factory=dict)


class Script:
    """Plays troubles on the physics and the scales of a bay.

    A trouble with ``until_s`` is undone then. The operator looks round every ``tends_s``: full
    containers are changed, a low hopper is filled. Clogs of one outlet, drifts of the feed and changes of
    one unit must not overlap; a stop or a fault may.
    """

    def __init__(self, physics: Physics, scales: Mapping[str, ScaleModel], seed: int) -> None:
        scenario = physics.scenario
        self._physics = physics
        self._scales = scales
        self._rng = Random(f"{seed}/operator")
        self._done: list[Event] = []
        self._open: dict[int, Event] = {}
        self._queue: list[tuple[float, int, Callable[[float], None]]] = []
        self._count = 0
        self._wanted: dict[tuple[str, str], int] = {}
        self._at(scenario.feed_from_s, self._start_feed)
        for trouble in scenario.troubles:
            self._at(trouble.at_s, partial(self.begin, trouble))
        if scenario.tends_s > 0.0:
            self._at(scenario.tends_s, self._tend)

    @property
    def events(self) -> list[Event]:
        """All that happened so far, in order of time; what has not ended yet is among it."""
        return sorted([*self._done, *self._open.values()], key=lambda e: (e.at_s, e.kind, e.subject))

    def play(self, now_s: float) -> None:
        """Do all that is due."""
        while self._queue and self._queue[0][0] <= now_s:
            heapq.heappop(self._queue)[2](now_s)

    def begin(self, what: t.Trouble, now_s: float) -> None:
        """Let a trouble begin at ``now_s`` (which is its ``at_s``, up to a step)."""
        if isinstance(what, t.ContainerChange):
            self._change(what, now_s)
            return
        undo = _DOERS[type(what)](self, what, now_s)
        event = self._event(what, now_s)
        if undo is None:
            lasts_s = getattr(what, "for_s", getattr(what, "over_s", 0.0))
            self._done.append(replace(event, until_s=now_s + lasts_s))
            return
        self._count += 1
        self._open[self._count] = event
        until_s = getattr(what, "until_s", None)
        if until_s is not None:
            self._at(until_s, partial(self._end, self._count, undo))

    def _at(self, at_s: float, do: Callable[[float], None]) -> None:
        self._count += 1
        heapq.heappush(self._queue, (at_s, self._count, do))

    def _end(self, key: int, undo: Undo, now_s: float) -> None:
        undo(now_s)
        self._done.append(replace(self._open.pop(key), until_s=now_s))

    def _event(self, what: t.Trouble, now_s: float) -> Event:
        name = type(what).__name__
        kind = "".join(f"-{c.lower()}" if c.isupper() else c for c in name).lstrip("-")
        subject = str(getattr(what, "outlet", getattr(what, "channel", "feed")))
        if isinstance(what, t.WaterChange):
            subject = self._line(what)
        names = [one.name for one in fields(what) if one.name not in _PLACE_AND_TIME]
        return Event(now_s, kind, subject, None, {name: getattr(what, name) for name in names})

    def _while(self, what: tuple[str, str], switch: Callable[[bool], None]) -> Undo:
        """Switch something on until the last of those who want it so has ended."""
        self._wanted[what] = self._wanted.get(what, 0) + 1
        switch(True)

        def end(_: float) -> None:
            self._wanted[what] -= 1
            if self._wanted[what] == 0:
                switch(False)

        return end

    # The operator

    def _start_feed(self, now_s: float) -> None:
        self._physics.feeder.running = True
        self._done.append(Event(now_s, "feed-start", "feed", now_s))

    def _tend(self, now_s: float) -> None:
        self._at(now_s + self._physics.scenario.tends_s, self._tend)
        for place in self._physics.places:
            if place.present and place.gross_kg() > place.vessel.full_kg:
                without_s = self._rng.uniform(6.0, 25.0)
                caught = self._rng.random() < 0.5
                self._change(t.ContainerChange(now_s, place.outlet.name, without_s, caught), now_s)
        feed, feeder = self._physics.scenario.feed, self._physics.feeder
        if feeder.content_kg < feed.refill_at_kg:
            refill = t.Refill(now_s, self._rng.uniform(*feed.refill_kg), self._rng.uniform(3.0, 9.0))
            self.begin(refill, now_s)

    def _change(self, what: t.ContainerChange, now_s: float) -> None:
        place = self._physics.places[self._physics.index(what.outlet)]
        if not place.present:
            return  # it is being changed already
        lost_before_kg, tare_before_kg = place.lost_kg, place.tare_kg
        gross_kg = place.lift(now_s, what.caught)
        self._count += 1
        key = self._count
        self._open[key] = Event(now_s, "container-change", what.outlet, None, {"gross_kg": gross_kg})

        def put(end_s: float) -> None:
            tare_kg = place.draw_tare() if what.tare_kg is None else what.tare_kg
            caught_kg = place.caught_kg
            place.put(end_s, tare_kg, what.pour_after_s)
            data = {
                "caught_kg": caught_kg,
                "lost_kg": place.lost_kg - lost_before_kg,
                "tare_before_kg": tare_before_kg,
                "tare_kg": tare_kg,
                "gross_kg": gross_kg,
            }
            self._done.append(replace(self._open.pop(key), until_s=end_s, data=data))

        self._at(now_s + what.without_s, put)

    # What each trouble does; gives what ends it, or None where it ends by itself

    def _clog(self, what: t.Clog, now_s: float) -> Undo:
        lip = self._physics.lips[self._physics.index(what.outlet)]
        lip.plug(replace(what, at_s=now_s))
        return lambda _: lip.clear()

    def _stop_feed(self, what: t.FeedStop, now_s: float) -> Undo:
        return self._while(
            ("feed", "stop"), lambda stopped: setattr(self._physics.feeder, "running", not stopped)
        )

    def _drift(self, what: t.FeedDrift, now_s: float) -> Undo:
        feeder = self._physics.feeder
        feeder.drift(now_s, what.factor, what.ramp_s)
        return lambda end_s: feeder.drift(end_s, 1.0, 0.0)

    def _pulse(self, what: t.Pulsing, now_s: float) -> Undo:
        feeder, feed = self._physics.feeder, self._physics.scenario.feed
        feeder.pulsation, feeder.pulsation_s = what.amplitude, what.period_s

        def calm(_: float) -> None:
            feeder.pulsation, feeder.pulsation_s = feed.pulsation, feed.pulsation_s

        return calm

    def _refill(self, what: t.Refill, now_s: float) -> None:
        self._physics.feeder.refill(now_s, what.mass_kg, what.over_s)

    def _bump(self, what: t.Bump, now_s: float) -> None:
        self._scales[what.channel].bump(now_s, what.force_kg, what.for_s)

    def _tare(self, what: t.TarePressed, now_s: float) -> None:
        self._scales[what.channel].press_tare()

    def _unit(self, what: t.UnitChanged, now_s: float) -> Undo:
        scale = self._scales[what.channel]
        scale.set_unit(what.unit)
        return lambda _: scale.set_unit(scale.scale.unit)

    def _fault(self, what: t.Frozen | t.Silent | t.Unplugged, now_s: float) -> Undo:
        scale = self._scales[what.channel]
        fault = type(what).__name__.lower()
        return self._while((what.channel, fault), lambda on: setattr(scale, fault, on))

    def _garble(self, what: t.Garbled, now_s: float) -> Undo:
        scale = self._scales[what.channel]
        scale.garbled = what.share
        return lambda _: setattr(scale, "garbled", 0.0)

    def _sample(self, what: t.SampleTaken, now_s: float) -> None:
        self._physics.places[self._physics.index(what.outlet)].take_sample(what.mass_kg)

    def _decant(self, what: t.Decanted, now_s: float) -> None:
        self._physics.places[self._physics.index(what.outlet)].decant(what.water_kg)

    def _line(self, what: t.WaterChange) -> str:
        """The line it is about; "feed" where the bay has no water."""
        return what.line or next(iter(self._physics.water_factors), "feed")

    def _water(self, what: t.WaterChange, now_s: float) -> Undo:
        factors, line = self._physics.water_factors, self._line(what)
        factors[line] = what.factor
        return lambda _: factors.update({line: 1.0})


_DOERS: dict[type, Callable[[Script, Any, float], Undo | None]] = {
    t.Clog: Script._clog,
    t.FeedStop: Script._stop_feed,
    t.FeedDrift: Script._drift,
    t.Pulsing: Script._pulse,
    t.Refill: Script._refill,
    t.Bump: Script._bump,
    t.TarePressed: Script._tare,
    t.UnitChanged: Script._unit,
    t.Frozen: Script._fault,
    t.Silent: Script._fault,
    t.Unplugged: Script._fault,
    t.Garbled: Script._garble,
    t.SampleTaken: Script._sample,
    t.Decanted: Script._decant,
    t.WaterChange: Script._water,
}
