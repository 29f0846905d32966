"""The simulated bay: physics, scales and the script of troubles, and the truth about all of it."""

from __future__ import annotations

import heapq
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import partial
from random import Random
from typing import Any

from logger.simulator import troubles as t
from logger.simulator.physics import Physics
from logger.simulator.scale import ScaleModel, Shown
from logger.simulator.scenario import Scale, Scenario

_FAULTS = {t.Frozen: "frozen", t.Silent: "silent", t.Unplugged: "unplugged"}


@dataclass(frozen=True, slots=True)
class Event:
    """Something that truly happened. ``kind`` is the trouble's name in small letters with hyphens;
    ``subject`` an outlet or channel, or ``feed``; ``until_s`` None: it had not ended."""

    at_s: float
    kind: str
    subject: str
    until_s: float | None = None
    data: dict[str, Any] = field(default_factory=dict)


@dataclass(slots=True)
class Truth:
    """What really happened, once a second: lists with one figure for each whole second from 0 on.

    ``delivered_kg[outlet]``: solids that left the outlet, lost and caught ones too. ``reported_kg``:
    what a true tally says, that is with lasting moisture (drains) or water (retains). ``lost_kg``: the
    part that fell beside a scale without container. ``used_kg``: feed that left hopper or tub, net of
    refills. ``hold_up_kg``: on the deck and behind plugs. ``astray_kg``: on the floor.
    """

    delivered_kg: dict[str, list[float]]
    reported_kg: dict[str, list[float]]
    lost_kg: dict[str, list[float]]
    used_kg: list[float] = field(default_factory=list)
    hold_up_kg: list[float] = field(default_factory=list)
    astray_kg: list[float] = field(default_factory=list)
    water_l_min: list[float] = field(default_factory=list)

    def rate_kg_h(self, outlet: str, from_s: int, to_s: int) -> float:
        """Mean true rate of an outlet's solids between two whole seconds."""
        series = self.delivered_kg[outlet]
        return (series[to_s] - series[from_s]) / (to_s - from_s) * 3600.0


class SimulatedBay:
    """Steps the physics, plays the script, reads the scales.

    ``step`` goes on by ``dt_s``; ``read(channel)`` gives what an instrument shows now, or None where it
    is silent, unplugged or loses this line; ``hurry(trouble)`` makes a trouble happen now.
    """

    def __init__(self, scenario: Scenario, seed: int = 0, dt_s: float = 0.1) -> None:
        self.scenario = scenario
        self.physics = Physics(scenario, seed, dt_s)
        self._rng = Random(f"{seed}/operator")
        self._meter_rng = Random(f"{seed}/meter")
        self.scales: dict[str, ScaleModel] = {}
        if scenario.feed.scale is not None:
            self._add_scale("feed", scenario.feed.scale, seed)
        for outlet in scenario.outlets:
            if outlet.scale is not None:
                self._add_scale(outlet.name, outlet.scale, seed)
        if scenario.water is not None:
            self._add_scale(scenario.water.name, Scale(), seed)  # only its faults are used
        self._bumps: dict[str, list[t.Bump]] = {}
        self._events: list[Event] = []
        self._open: dict[int, Event] = {}
        self._queue: list[tuple[float, int, Callable[[float], None]]] = []
        self._pushed = 0
        names = [outlet.name for outlet in scenario.outlets]
        self.truth = Truth({n: [] for n in names}, {n: [] for n in names}, {n: [] for n in names})
        self._next_record_s = 0.0
        self._last_meter: Shown | None = None
        self._at(scenario.feed_from_s, self._start_feed)
        for trouble in scenario.troubles:
            self._at(trouble.at_s, partial(self._begin, trouble))
        if scenario.tends_s > 0.0:
            self._at(scenario.tends_s, self._tend)
        self._record()

    def _add_scale(self, channel: str, scale: Scale, seed: int) -> None:
        self.scales[channel] = ScaleModel(scale, Random(f"{seed}/scale/{channel}"))

    @property
    def now_s(self) -> float:
        return self.physics.now_s

    @property
    def events(self) -> list[Event]:
        """All that happened so far, in order of time; what has not ended yet is among it."""
        return sorted([*self._events, *self._open.values()], key=lambda e: (e.at_s, e.kind, e.subject))

    def _at(self, at_s: float, do: Callable[[float], None]) -> None:
        self._pushed += 1
        heapq.heappush(self._queue, (at_s, self._pushed, do))

    def step(self) -> None:
        """Let one step pass, with all the script says for it."""
        self.physics.step()
        now_s = self.physics.now_s
        while self._queue and self._queue[0][0] <= now_s:
            heapq.heappop(self._queue)[2](now_s)
        if now_s + 1e-9 >= self._next_record_s:
            self._record()

    def _record(self) -> None:
        physics, truth = self.physics, self.truth
        self._next_record_s += 1.0
        for place in physics.places:
            name = place.outlet.name
            truth.delivered_kg[name].append(place.delivered_kg)
            truth.reported_kg[name].append(place.reported_kg())
            truth.lost_kg[name].append(place.lost_kg)
        balance = physics.balance()
        truth.used_kg.append(balance.used)
        truth.hold_up_kg.append(balance.hold_up)
        truth.astray_kg.append(balance.astray)
        truth.water_l_min.append(physics.water_l_min())

    # What instruments show

    def force_kg(self, channel: str, at_s: float) -> float:
        """What presses on a scale."""
        if channel == "feed":
            force_kg = self.physics.feeder.force_kg(at_s)
        else:
            force_kg = self.physics.places[self.physics.index(channel)].force_kg(at_s)
        for bump in self._bumps.get(channel, ()):
            x = (at_s - bump.at_s) / bump.for_s
            if 0.0 <= x < 1.0:  # leans on quickly, a little unsteady, and lets go
                edge = min(1.0, 8.0 * x, 8.0 * (1.0 - x))
                force_kg += bump.force_kg * edge * (1.0 + 0.05 * self._meter_rng.gauss(0.0, 1.0))
        return force_kg

    def show(self, channel: str, at_s: float) -> Shown:
        """What the instrument's display says, whether or not it sends it."""
        water = self.scenario.water
        if water is None or channel != water.name:
            return self.scales[channel].read(at_s, self.force_kg(channel, at_s))
        if self.scales[channel].frozen and self._last_meter is not None:
            return self._last_meter
        flow = self.physics.water_l_min() + self._meter_rng.gauss(0.0, water.noise_l_min)
        step = water.resolution_l_min
        count = max(0, round(flow / step))
        self._last_meter = Shown(f"{count * step:.2f}", "L/min", None)
        return self._last_meter

    def read(self, channel: str, at_s: float) -> Shown | None:
        """What arrives from the instrument; None where nothing does."""
        scale = self.scales[channel]
        shown = self.show(channel, at_s)
        if scale.silent or scale.unplugged:
            return None
        return None if self._meter_rng.random() < scale.scale.missing + scale.garbled else shown

    # The script

    def hurry(self, trouble: t.Trouble) -> None:
        """Let a trouble begin now, whatever its ``at_s`` says; its duration is kept."""
        late_s = self.now_s - trouble.at_s
        changes: dict[str, Any] = {"at_s": self.now_s}
        until_s = getattr(trouble, "until_s", None)
        if until_s is not None:
            changes["until_s"] = until_s + late_s
        self._begin(replace(trouble, **changes), self.now_s)

    def _start_feed(self, now_s: float) -> None:
        self.physics.feeder.running = True
        self._events.append(Event(now_s, "feed-start", "feed"))

    def _begin(self, what: t.Trouble, now_s: float) -> None:
        name = type(what).__name__
        kind = "".join(f"-{c.lower()}" if c.isupper() else c for c in name).lstrip("-")
        subject = str(getattr(what, "outlet", getattr(what, "channel", "feed")))
        if isinstance(what, t.WaterChange):
            subject = self.scenario.water.name if self.scenario.water else "water"
        names = [n for n in what.__slots__ if n not in ("at_s", "until_s", "outlet", "channel")]
        data = {n: getattr(what, n) for n in names}
        if isinstance(what, t.ContainerChange):
            self._change(what, now_s)
            return
        undo = self._do(what, now_s)
        until_s = getattr(what, "until_s", None)
        if undo is None:
            ends_s = {"Bump": "for_s", "Refill": "over_s"}.get(name)
            end_s = now_s + (getattr(what, ends_s) if ends_s else 0.0)
            self._events.append(Event(now_s, kind, subject, end_s, data))
            return
        self._pushed += 1
        key = self._pushed
        self._open[key] = Event(now_s, kind, subject, None, data)

        def end(end_s: float, done: Callable[[float], None] = undo) -> None:
            done(end_s)
            self._events.append(replace(self._open.pop(key), until_s=end_s))

        if until_s is not None:
            self._at(until_s, end)

    def _do(self, what: t.Trouble, now_s: float) -> Callable[[float], None] | None:
        """Begin a trouble; gives what ends it, or None where it ends by itself."""
        physics, feeder = self.physics, self.physics.feeder
        match what:
            case t.Clog():
                lip = physics.lips[physics.index(what.outlet)]
                lip.plug(replace(what, at_s=now_s))
                return lambda _: lip.clear()
            case t.FeedStop():
                feeder.running = False
                return lambda _: setattr(feeder, "running", True)
            case t.FeedDrift():
                feeder.drift(now_s, what.factor, what.ramp_s)
                return lambda end_s: feeder.drift(end_s, 1.0, 0.0)
            case t.Pulsing():
                return self._pulse(what)
            case t.Frozen() | t.Silent() | t.Unplugged():
                scale, fault = self.scales[what.channel], _FAULTS[type(what)]
                setattr(scale, fault, True)
                return lambda _: setattr(scale, fault, False)
            case t.Garbled():
                scale = self.scales[what.channel]
                scale.garbled = what.share
                return lambda _: setattr(scale, "garbled", 0.0)
            case t.UnitChanged():
                scale = self.scales[what.channel]
                scale.set_unit(what.unit)
                return lambda _: scale.set_unit(scale.scale.unit)
            case t.WaterChange():
                physics.water_factor = what.factor
                return lambda _: setattr(physics, "water_factor", 1.0)
            case t.Refill():
                feeder.refill(now_s, what.mass_kg, what.over_s)
            case t.Bump():
                bumps = self._bumps.setdefault(what.channel, [])
                bumps[:] = [b for b in bumps if b.at_s + b.for_s > now_s] + [replace(what, at_s=now_s)]
            case t.TarePressed():
                self.scales[what.channel].press_tare()
            case t.SampleTaken():
                physics.places[physics.index(what.outlet)].removed_kg += what.mass_kg
            case t.Decanted():
                physics.places[physics.index(what.outlet)].removed_kg += what.water_kg
        return None

    def _pulse(self, what: t.Pulsing) -> Callable[[float], None]:
        feeder, before = self.physics.feeder, (self.physics.feeder.pulsation, self.physics.feeder.pulsation_s)
        feeder.pulsation, feeder.pulsation_s = what.amplitude, what.period_s

        def calm(_: float) -> None:
            feeder.pulsation, feeder.pulsation_s = before

        return calm

    def _change(self, what: t.ContainerChange, now_s: float) -> None:
        place = self.physics.places[self.physics.index(what.outlet)]
        if not place.present:
            return  # it is being changed already
        lost_before_kg, tare_before_kg = place.lost_kg, place.tare_kg
        gross_kg = place.lift(now_s, what.caught)

        def put(end_s: float) -> None:
            tare_kg = place.draw_tare() if what.tare_kg is None else what.tare_kg
            caught_kg = place.caught_kg
            place.put(end_s, tare_kg, what.pour_after_s)
            data = {
                "caught_kg": caught_kg if what.caught else 0.0,
                "lost_kg": place.lost_kg - lost_before_kg,
                "tare_before_kg": tare_before_kg,
                "tare_kg": tare_kg,
                "gross_kg": gross_kg,
            }
            self._events.append(Event(now_s, "container-change", what.outlet, end_s, data))

        self._at(now_s + what.without_s, put)

    def _tend(self, now_s: float) -> None:
        """The operator looks round: full containers are changed, a low hopper is filled."""
        self._at(now_s + self.scenario.tends_s, self._tend)
        for place in self.physics.places:
            if place.present and place.gross_kg() > place.vessel.full_kg:
                without_s = self._rng.uniform(6.0, 25.0)
                caught = self._rng.random() < 0.5
                self._begin(t.ContainerChange(now_s, place.outlet.name, without_s, caught), now_s)
        feeder = self.physics.feeder
        if feeder.content_kg < self.scenario.feed.refill_at_kg:
            mass_kg = self._rng.uniform(*self.scenario.feed.refill_kg)
            self._begin(t.Refill(now_s, mass_kg, self._rng.uniform(3.0, 9.0)), now_s)
