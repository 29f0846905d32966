"""Synthetic tracks and a station to run rules on, without any reading or fold."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from random import Random

from logger.core.description import (
    Channel,
    Container,
    Feed,
    FeedKind,
    Outlet,
    Station,
    Water,
    ZeroTracking,
)
from logger.core.rules.contract import ChannelNow, Judgement, OutletNow, StationNow, StationRule
from logger.core.rules.expected import ExpectedFlow
from logger.core.track.flow_view import FlowState, FlowView, Passed
from logger.core.track.saying import Saying
from logger.core.track.view import Recognised, TrackState, View

T0 = 1_772_431_200  # station second of the first tick
KG_H = 1e6 / 3600.0  # mg/s in a kg/h


class FakeTrack:
    """A track whose delivered mass is whatever a test adds to it, seen with a little Gaussian error."""

    def __init__(self, seed: int, error_mg: float = 2_000.0) -> None:
        self.view = View(state=TrackState.STEADY, steady_since_s=T0 - 100, changed_s=T0 - 100)
        self._dice = Random(seed)
        self.error_mg = error_mg
        self._history: dict[int, float] = {}
        self.true_mg = 0.0

    def reading(self, at_ns: int, mg: int, stable: bool | None) -> None:
        raise NotImplementedError

    def tick(self, now_s: int, expected_mg_s: float | None) -> list[Recognised]:
        raise NotImplementedError

    def container_set(self, now_s: int, tare_mg: float | None, at_s: int | None = None) -> Recognised:
        raise NotImplementedError

    def say(self, now_s: int, saying: Saying) -> Recognised | None:
        raise NotImplementedError

    def not_caught(self, from_s: int, to_s: int) -> tuple[float, float]:
        return 0.0, 0.0

    def correct(self, number: int, was: str | None, credit_mg: float | None) -> float:
        raise NotImplementedError

    def close(self, now_s: int, added_mg: float) -> None:
        """End a second in which ``added_mg`` arrived."""
        self.true_mg += added_mg
        view = self.view
        view.now_s = now_s
        view.delivered_mg = self.true_mg + self._dice.gauss(0.0, self.error_mg)
        view.level_mg = 1e6 + view.delivered_mg
        view.level_var_mg2 = self.error_mg**2
        view.noise_mg, view.interval_s = 5_000.0, 0.2
        view.same_count, view.p_same = 1, 0.4
        view.last_reading_s = float(now_s)
        self._history[now_s] = view.delivered_mg

    def delivered_at(self, second: int) -> float:
        return self._history.get(second, 0.0)

    def var_at(self, second: int) -> float:
        return 0.0

    def estimated_at(self, second: int) -> float:
        return 0.0

    def tally(self, from_s: int, to_s: int) -> tuple[float, float, float]:
        mass = self.delivered_at(to_s) - self.delivered_at(from_s)
        return mass, (2.0 * self.view.level_var_mg2) ** 0.5, 0.0


class FakeFlow:
    """A flow meter's track that says what a test tells it, and adds it up."""

    def __init__(self) -> None:
        self.view = FlowView(state=FlowState.SPEAKING, rate_l_min=0.0)
        self._litres: dict[int, float] = {}
        self.silent_s = 0

    def reading(self, at_ns: int, number: int, unit: str, exp: int) -> str:
        raise NotImplementedError

    def tick(self, now_s: int) -> None:
        self.view.now_s = now_s
        if self.view.rate_l_min is None:
            self.silent_s += 1
        self.view.litres += (self.view.rate_l_min or 0.0) / 60.0
        self._litres[now_s] = self.view.litres

    def passed(self, from_s: int, to_s: int) -> Passed:
        litres = self._litres.get(to_s, 0.0) - self._litres.get(from_s, 0.0)
        return Passed(litres, 0.01, 0.0, 0.0, float(self.silent_s))


@dataclass
class Play:
    """A station with a weighed feed (or not), outlets in lumps, and what was judged.

    ``feed_kg_h`` and ``open_part`` (what an outlet lets through) are functions of the second since T0.
    """

    shares: tuple[float, ...] = (0.1, 0.2, 0.3, 0.4)
    told: bool = True
    feed_kind: FeedKind = FeedKind.HOPPER
    target_kg_h: float | None = 60.0
    lump_mg: float = 5_000.0
    lag_s: int = 30
    feed_kg_h: Callable[[int], float] = lambda s: 60.0 if s >= 30 else 0.0
    open_part: Callable[[int, int], float] = lambda outlet, s: 1.0
    spoil: Callable[[int, Play], None] = lambda s, play: None
    water: tuple[Water, ...] = ()
    containers: tuple[Container, ...] = ()
    seed: int = 1
    zero_tracking: ZeroTracking = ZeroTracking.UNKNOWN
    said: list[tuple[int, Judgement]] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.dice = Random(self.seed)
        weighed = self.feed_kind is not FeedKind.UNWEIGHED
        names = [f"outlet{k}" for k in range(len(self.shares))]
        containers = self.containers or (Container(),) * len(names)
        outlets = tuple(
            Outlet(name, name, container, expected_share=share if self.told else None)
            for name, share, container in zip(names, self.shares, containers, strict=True)
        )
        feed = Feed(self.feed_kind, "feed" if weighed else None, self.target_kg_h)
        self.station = Station("table", feed, outlets, self.water)
        self.tracks = {name: FakeTrack(self.seed * 100 + k) for k, name in enumerate(["feed", *names])}
        self.channels = {
            name: ChannelNow(Channel(name, zero_tracking=self.zero_tracking), track)
            for name, track in self.tracks.items()
        }
        for line in self.water:
            meter = Channel(line.channel, "flow", resolution_kg=0.1)
            self.channels[line.channel] = ChannelNow(meter, flow=FakeFlow())
        self.now = StationNow(
            self.station,
            T0,
            self.channels["feed"] if weighed else None,
            [OutletNow(outlet, self.channels[outlet.name]) for outlet in outlets],
            run_since_s=T0,
            water=[self.channels[line.channel] for line in self.water],
        )
        self.expected = ExpectedFlow(self.station)
        self.second = 0
        self._past_feed: list[float] = []

    def flows(self, meter: str, l_min: float | None) -> None:
        """Set what a meter shows; None: it is silent."""
        flow = self.channels[meter].flow
        assert flow is not None
        flow.view.rate_l_min = l_min

    def _lumps(self, mean_mg: float) -> float:
        """A second's delivery: lumps of exponential mass at random times."""
        total, waited = 0.0, self.dice.expovariate(1.0)
        while waited < mean_mg / self.lump_mg:
            total += self.dice.expovariate(1.0 / self.lump_mg)
            waited += self.dice.expovariate(1.0)
        return total

    def advance(self) -> None:
        """Close one second: tracks first, then the expected flow."""
        s, now_s = self.second, T0 + self.second
        fed = self.feed_kg_h(s) * KG_H
        self._past_feed.append(fed)
        arriving = self._past_feed[s - self.lag_s] if s >= self.lag_s else 0.0
        self.tracks["feed"].close(now_s, fed * self.dice.uniform(0.9, 1.1))
        for k, share in enumerate(self.shares):
            self.tracks[f"outlet{k}"].close(now_s, self._lumps(arriving * share * self.open_part(k, s)))
        for channel in self.channels.values():
            channel.readings += 5
            channel.first_reading_s = channel.first_reading_s or float(now_s)
            channel.last_reading_s = channel.last_usable_s = float(now_s)
            channel.unit, channel.mode = "kg", "gross"
        self.now.now_s = now_s
        self.spoil(s, self)
        for channel in self.channels.values():
            if channel.flow is not None:
                channel.flow.tick(now_s)
        self.expected.tick(self.now)
        self.second += 1

    def run(self, rules: list[StationRule], seconds: int) -> list[tuple[int, Judgement]]:
        """Play so many seconds; what the rules said, with the second since T0 of each."""
        for _ in range(seconds):
            self.advance()
            for rule in rules:
                for judgement in rule.tick(self.now):
                    self.said.append((self.now.now_s - T0, judgement))
                    self._note(judgement)
        return self.said

    def _note(self, judgement: Judgement) -> None:
        key = (judgement.kind, judgement.subject)
        if judgement.active:
            self.now.active[key] = judgement.since_s
        else:
            self.now.active.pop(key, None)
        if judgement.kind == "feed-stopped":
            self.now.feed_stopped_since_s = judgement.since_s if judgement.active else None

    def raised(self, kind: str) -> list[tuple[int, Judgement]]:
        """Judgements of a kind that were sounded."""
        return [(s, j) for s, j in self.said if j.kind == kind and j.active and not j.suppressed]
