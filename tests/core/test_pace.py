"""How far feeding by hand is ahead of its target, or behind."""

from __future__ import annotations

from dataclasses import replace
from math import exp

import pytest

from logger.core.bay import Bay
from logger.core.description import FeedKind
from logger.core.pace import MEMORY_S, Pace, PaceFold, words
from logger.core.picture import picture
from logger.simulator.foundry import foundry_scenario
from logger.simulator.trace import make_trace
from tests.core.folding import NS, T0_S, configuration, entries
from tests.core.rules.fakes import Play

SCOOP_S = 24  # 0.4 kg a scoop at 60 kg/h
TARGET_KG_S = 60.0 / 3600.0


class Feeding:
    """A tub that a person feeds from, a scoop every so many seconds (0: not at all)."""

    def __init__(self, kind: FeedKind = FeedKind.TUB, target: float | None = 60.0) -> None:
        self.every_s = SCOOP_S
        self.play = Play(feed_kind=kind, target_kg_h=target, feed_kg_h=self._scoop)
        self.fold = PaceFold(self.play.station, self.play.expected)
        self.seen: list[Pace | None] = []

    def _scoop(self, s: int) -> float:
        return 0.4 * 3600.0 if self.every_s and s >= 30 and (s - 30) % self.every_s == 0 else 0.0

    def go(self, seconds: int) -> list[Pace]:
        fresh = []
        for _ in range(seconds):
            self.play.advance()
            self.fold.tick(self.play.now)
            fresh.append(self.fold.pace(self.play.now))
        self.seen += fresh
        return [pace for pace in fresh if pace is not None]


def test_at_the_targets_pace_a_tone_is_hardly_heard() -> None:
    """Between two scoops one cannot be nearer than half a scoop; here scoops differ by 10 %."""
    feeding = Feeding()
    feeding.go(300)
    steady = feeding.go(480)
    assert max(abs(pace.tone) for pace in steady) < 0.15
    assert sum(pace.tone != 0.0 for pace in steady) < 0.4 * len(steady)
    assert sum(pace.ahead_kg for pace in steady) / len(steady) == pytest.approx(0.0, abs=0.15)
    assert steady[-1].dead_band_kg == pytest.approx(0.2, abs=0.03)


def test_a_scoop_left_out_is_a_scoop_behind_and_is_forgotten() -> None:
    feeding = Feeding()
    before = feeding.go(400)[-1].ahead_kg
    feeding.every_s = 0
    behind = feeding.go(60)[-1]
    keep = exp(-60.0 / MEMORY_S)
    due = MEMORY_S * TARGET_KG_S * (1.0 - keep)
    assert behind.ahead_kg == pytest.approx(before * keep - due, abs=0.05)
    assert behind.ahead_s == pytest.approx(behind.ahead_kg / TARGET_KG_S)
    assert behind.state == "behind"
    assert -1.0 < behind.tone < -0.3
    feeding.every_s = SCOOP_S
    assert feeding.go(900)[-1].ahead_kg == pytest.approx(0.0, abs=0.3)  # an old debt is not chased


def test_feeding_too_fast_is_ahead_and_the_tone_stays_bounded() -> None:
    feeding = Feeding()
    feeding.go(200)
    feeding.every_s = 8
    fast = feeding.go(1200)
    assert fast[-1].state == "ahead"
    assert max(pace.tone for pace in fast) == 1.0
    assert fast[-1].ahead_s < 2.5 * MEMORY_S


def test_while_the_feed_is_paused_nothing_is_owed() -> None:
    feeding = Feeding()
    before = feeding.go(350)[-1]
    feeding.every_s = 0
    feeding.play.now.paused_since_s = feeding.play.now.now_s
    paused = feeding.go(300)
    assert {pace.state for pace in paused} == {"paused"}
    assert {pace.tone for pace in paused} == {0.0}
    assert abs(paused[-1].ahead_kg) <= abs(before.ahead_kg)


def test_before_the_first_scoop_of_a_run_nothing_is_owed() -> None:
    feeding = Feeding()
    assert feeding.go(29) == []
    assert feeding.go(60)[-1].ahead_kg == pytest.approx(0.0, abs=0.25)


def test_a_run_begins_without_the_debts_of_the_last() -> None:
    feeding = Feeding()
    feeding.go(200)
    feeding.every_s = 0
    feeding.go(200)
    feeding.play.now.run_since_s = None
    assert feeding.go(60) == []
    feeding.play.now.run_since_s = feeding.play.now.now_s
    feeding.every_s = SCOOP_S
    assert feeding.go(60)[-1].ahead_kg == pytest.approx(0.0, abs=0.3)


@pytest.mark.parametrize(("kind", "target"), [(FeedKind.HOPPER, 60.0), (FeedKind.TUB, None)])
def test_without_a_hand_or_a_target_there_is_no_pace(kind: FeedKind, target: float | None) -> None:
    assert Feeding(kind, target).go(200) == []


@pytest.mark.parametrize(
    ("kg", "tone", "owes", "unit", "said"),
    [
        (-1.2, -0.5, True, "kg", "1.2 kg behind, about 70 s of feeding"),
        (0.3, 0.1, True, "kg", "0.3 kg ahead, about 18 s of feeding"),
        (-1.2, -0.5, True, "lb", "2.6 lb behind, about 70 s of feeding"),
        (0.1, 0.0, True, "kg", "on pace, within half a scoop"),
        (0.1, 0.0, False, "kg", "paused: nothing is owed"),
    ],
)
def test_the_pace_is_said_plainly(kg: float, tone: float, owes: bool, unit: str, said: str) -> None:
    """1.2 kg over 0.45359237 kg/lb (NIST SP 811) are 2.65 lb."""
    assert words(Pace(kg, kg / TARGET_KG_S, tone, 0.2, owes), unit) == said


TUB = """
[stations.table]
target = "60 kg/h"
resolution = "5 g"
outlets = ["concentrate", "middlings", "tailings", "fines"]
[stations.table.feed]
kind = "tub"
"""


def test_a_simulated_tub_is_followed_to_a_tenth_of_a_scoop() -> None:
    """Against the leaky sum of what truly left the tub, at every second of four minutes."""
    calm = foundry_scenario(calm=True)
    trace = make_trace(replace(calm, feed=replace(calm.feed, kind="tub")), seed=3, duration_s=600)
    bay = Bay(configuration(TUB).bay)
    off: list[float] = []
    told: dict[int, float] = {}
    for entry in entries(trace)[:-1]:
        bay.apply(entry)
        pace = bay.stations["table"].pace
        if pace is not None:
            told[bay.at_ns // NS - T0_S] = pace.ahead_kg
    used, true_kg, keep = trace.truth.used_kg, told[300], exp(-1.0 / MEMORY_S)
    for second in range(301, 600):
        true_kg = true_kg * keep + used[second] - used[second - 1] - TARGET_KG_S
        off.append(abs(told[second] - true_kg))
    assert sorted(off)[int(0.75 * len(off))] < 0.04
    feed = picture(bay, {}, {}, "0")["stations"][0]["feed"]
    assert feed["pace"]["state"] in {"behind", "ahead", "on-pace"}
    assert -1.0 <= feed["pace"]["tone"] <= 1.0
