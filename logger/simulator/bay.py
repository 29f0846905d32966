"""The simulated bay: physics, scales and the script of troubles, and the truth about all of it."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from random import Random
from typing import Any

from logger.simulator.physics import Physics
from logger.simulator.scale import ScaleModel, Shown
from logger.simulator.scenario import Scale, Scenario
from logger.simulator.script import Event, Script
from logger.simulator.troubles import Trouble


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
    feed_water_l_min: list[float] = field(default_factory=list)

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
        self._line_rng = Random(f"{seed}/lines")
        self._meter_rng = Random(f"{seed}/meter")
        self._feed_water_rng = Random(f"{seed}/feed-water")  # of its own: it changes no other instrument
        self.scales: dict[str, ScaleModel] = {}
        if scenario.feed.scale is not None:
            self._add_scale("feed", scenario.feed.scale, seed)
        for outlet in scenario.outlets:
            if outlet.scale is not None:
                self._add_scale(outlet.name, outlet.scale, seed)
        for line in scenario.waters:
            self._add_scale(line.name, Scale(), seed)  # only its faults are used
        self.script = Script(self.physics, self.scales, seed)
        names = [outlet.name for outlet in scenario.outlets]
        self.truth = Truth({n: [] for n in names}, {n: [] for n in names}, {n: [] for n in names})
        self._next_record_s = 0.0
        self._last_meter: dict[str, Shown] = {}
        self._record()

    def _add_scale(self, channel: str, scale: Scale, seed: int) -> None:
        self.scales[channel] = ScaleModel(scale, Random(f"{seed}/scale/{channel}"))

    @property
    def now_s(self) -> float:
        """Time since the start."""
        return self.physics.now_s

    @property
    def events(self) -> list[Event]:
        """All that happened so far, in order of time."""
        return self.script.events

    def step(self) -> None:
        """Let one step pass, with all the script says for it."""
        self.physics.step()
        now_s = self.physics.now_s
        self.script.play(now_s)
        if now_s + 1e-9 >= self._next_record_s:
            self._record()

    def hurry(self, trouble: Trouble) -> None:
        """Let a trouble begin now, whatever its ``at_s`` says; its duration is kept."""
        changes: dict[str, Any] = {"at_s": self.now_s}
        until_s = getattr(trouble, "until_s", None)
        if until_s is not None:
            changes["until_s"] = until_s + self.now_s - trouble.at_s
        self.script.begin(replace(trouble, **changes), self.now_s)

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
        truth.water_l_min.append(physics.water_l_min(self.scenario.water))
        truth.feed_water_l_min.append(physics.water_l_min(self.scenario.feed_water))

    def force_kg(self, channel: str, at_s: float) -> float:
        """What the feed or a container puts on a scale, without elbows."""
        if channel == "feed":
            return self.physics.feeder.force_kg(at_s)
        return self.physics.places[self.physics.index(channel)].force_kg(at_s)

    def show(self, channel: str, at_s: float) -> Shown:
        """What the instrument's display says, whether or not it sends it."""
        line = self.scenario.meter(channel)
        if line is None:
            return self.scales[channel].read(at_s, self.force_kg(channel, at_s))
        last = self._last_meter.get(channel)
        if self.scales[channel].frozen and last is not None:
            return last
        rng = self._feed_water_rng if self._brings_feed_water(channel) else self._meter_rng
        flow_l_min = self.physics.water_l_min(line) + rng.gauss(0.0, line.noise_l_min)
        count = max(0, round(flow_l_min / line.resolution_l_min))
        self._last_meter[channel] = Shown(f"{count * line.resolution_l_min:.2f}", "L/min", None)
        return self._last_meter[channel]

    def _brings_feed_water(self, channel: str) -> bool:
        line = self.scenario.feed_water
        return line is not None and line.name == channel

    def read(self, channel: str, at_s: float) -> Shown | None:
        """What arrives from the instrument; None where nothing does."""
        scale = self.scales[channel]
        shown = self.show(channel, at_s)
        if scale.silent or scale.unplugged:
            return None
        rng = self._feed_water_rng if self._brings_feed_water(channel) else self._line_rng
        return None if rng.random() < scale.scale.missing + scale.garbled else shown
