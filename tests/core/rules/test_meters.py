"""A flow meter that sticks at a number, and one that begins to count anew."""

from __future__ import annotations

import pickle
from random import Random

import pytest

from logger.core.description import Channel
from logger.core.rules.contract import ChannelNow, ChannelRule, Judgement
from logger.core.rules.counter_reset import CounterReset
from logger.core.rules.flow_stuck import FlowStuck
from logger.core.track.flow import FlowTrack
from tests.core.rules.fakes import T0


class Meter:
    """A real track that a test gives one number a second to."""

    def __init__(self, unit: str = "L/min", exp: int = -1) -> None:
        self.unit, self.exp = unit, exp
        self.now = ChannelNow(Channel("wash", "flow", unit), flow=FlowTrack(Channel("wash", "flow", unit)))
        self.second = 0
        self.said: list[tuple[int, Judgement]] = []

    def show(self, rule: ChannelRule, number: int) -> None:
        flow = self.now.flow
        assert flow is not None
        flow.reading((T0 + self.second) * 10**9 + 5 * 10**8, number, self.unit, self.exp)
        self.second += 1
        flow.tick(T0 + self.second)
        self.said += [(self.second, judgement) for judgement in rule.tick(T0 + self.second, self.now)]


def flicker(seed: int, sigma: float) -> list[int]:
    dice = Random(seed)
    return [round(140.0 + dice.gauss(0.0, sigma)) for _ in range(3600)]


@pytest.mark.parametrize("sigma", [0.4, 0.6, 2.0])
def test_a_meter_that_sticks_is_noticed_within_a_minute(sigma: float) -> None:
    """A digit of 0.1 L/min, water that flickers by less than a digit or more."""
    meter, rule = Meter(), FlowStuck(Channel("wash", "flow"))
    shown = flicker(1, sigma)[:1200]
    for number in [*shown, *[shown[-1]] * 60, *shown[:60]]:
        meter.show(rule, number)
    assert [j.active for _, j in meter.said] == [True, False]
    assert 1200 < meter.said[0][0] <= 1260


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("sigma", [0.3, 0.5, 1.0])
def test_a_meter_that_flickers_is_not_stuck(seed: int, sigma: float) -> None:
    meter, rule = Meter(), FlowStuck(Channel("wash", "flow"))
    for number in flicker(seed, sigma):
        meter.show(rule, number)
    assert meter.said == []


def test_a_meter_much_steadier_than_its_digit_can_not_be_told() -> None:
    meter, rule = Meter(), FlowStuck(Channel("wash", "flow"))
    for number in [140] * 3600:
        meter.show(rule, number)
    assert meter.said == []


def test_a_closed_valve_is_not_stuck() -> None:
    meter, rule = Meter(), FlowStuck(Channel("wash", "flow"))
    for number in [*flicker(1, 2.0)[:600], *[0] * 600]:
        meter.show(rule, number)
    assert meter.said == []


def test_a_total_that_stands_still_is_a_flow_of_nothing() -> None:
    meter, rule = Meter("L", 0), FlowStuck(Channel("wash", "flow"))
    for number in [*range(600), *[600] * 600]:
        meter.show(rule, number)
    assert meter.said == []


def test_a_counter_that_begins_anew_is_told_once() -> None:
    meter, rule = Meter("L", 0), CounterReset(Channel("wash", "flow"))
    for number in [*range(1000, 1100), *range(100)]:
        meter.show(rule, number)
    assert [j.active for _, j in meter.said] == [True, False]
    assert 100 < meter.said[0][0] <= 106
    assert meter.said[0][1].evidence == {"resets": 1}


def test_one_garbled_total_is_no_reset() -> None:
    meter, rule = Meter("L", 0), CounterReset(Channel("wash", "flow"))
    for number in [*range(1000, 1100), 7, *range(1101, 1200)]:
        meter.show(rule, number)
    assert meter.said == []


@pytest.mark.parametrize("make", [FlowStuck, CounterReset])
def test_a_meters_rule_resumes_from_a_pickle(make: type[FlowStuck] | type[CounterReset]) -> None:
    unit = "L/min" if make is FlowStuck else "L"
    meter, rule = Meter(unit, 0), make(Channel("wash", "flow"))
    shown = [round(x / 4) for x in flicker(3, 3.0)[:300]]
    for number in shown:
        meter.show(rule, number)
    again, its_rule = pickle.loads(pickle.dumps((meter, rule)))
    for number in [35] * 100:
        meter.show(rule, number)
        again.show(its_rule, number)
    assert again.said == meter.said
