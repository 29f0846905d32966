"""What the rules about instruments and runs answer when they are asked why they speak, or why not."""

from __future__ import annotations

import pytest

from logger.core.description import Channel
from logger.core.rules.contract import ChannelNow, Evidence, Evident, EvidentOfChannel
from logger.core.rules.counter_reset import CounterReset
from logger.core.rules.feed_contradicted import FeedContradicted
from logger.core.rules.flow_stuck import FlowStuck
from logger.core.rules.instrument_unreadable import InstrumentUnreadable
from logger.core.rules.no_run_open import NoRunOpen
from logger.core.rules.unit_changed import UnitChanged
from tests.core.rules.fakes import T0, Play
from tests.core.rules.test_contract import CHANNELS, channel_rules, station_rules, troubled
from tests.core.rules.test_meters import Meter, flicker

METER = Channel("wash", "flow")


def of_scale(rule: EvidentOfChannel, now: ChannelNow, second: int) -> Evidence:
    evidence = rule.evidence(T0 + second, now)
    assert evidence is not None
    return evidence


def test_every_rule_of_a_station_can_be_asked() -> None:
    play = troubled()
    assert [r.kind for r in station_rules(play.station, play.expected) if not isinstance(r, Evident)] == []


def test_every_rule_of_an_instrument_can_be_asked() -> None:
    rules = [rule for channel in CHANNELS for rule in channel_rules(channel)]
    assert [rule.kind for rule in rules if not isinstance(rule, EvidentOfChannel)] == []


def test_another_unit_is_told_with_how_long_it_was_shown() -> None:
    now = ChannelNow(Channel("scale", unit="kg"), readings=5, unit="kg")
    rule = UnitChanged(now.channel)
    rule.tick(T0, now)
    assert of_scale(rule, now, 0).statistic == 0
    now.unit = "lb"
    for second in range(1, 5):
        rule.tick(T0 + second, now)
    evidence = of_scale(rule, now, 4)
    assert (evidence.statistic, evidence.threshold, evidence.unit) == (3, 2, "s")
    assert (evidence.extra["unit"], evidence.extra["unit_expected"]) == ("lb", "kg")


def test_what_cannot_be_read_is_told_with_its_pieces_and_a_quiet_line_says_so() -> None:
    now = ChannelNow(Channel("scale"), readings=1, last_reading_s=float(T0))
    rule = InstrumentUnreadable(now.channel)
    rule.tick(T0, now)
    assert "no bytes" in of_scale(rule, now, 1).quiet_because
    now.garbage, now.last_garbage_s, now.garbage_reason = 2, T0 + 12.0, "bad-line"
    assert "only 2 pieces" in of_scale(rule, now, 12).quiet_because
    now.garbage = 9
    evidence = of_scale(rule, now, 12)
    assert (evidence.statistic, evidence.quiet_because) == (12.0, "")
    assert evidence.extra == {"pieces": 9, "reason": "bad-line"}


@pytest.mark.parametrize(("sticks_s", "reached"), [(0, False), (90, True)])
def test_a_row_of_equal_flows_is_told_in_nats(sticks_s: int, reached: bool) -> None:
    meter, rule = Meter(), FlowStuck(METER)
    shown = flicker(1, 1.0)[:600]
    for number in [*shown, *[shown[-1]] * sticks_s]:
        meter.show(rule, number)
    evidence = of_scale(rule, meter.now, 0)
    assert evidence.statistic is not None
    assert (evidence.statistic >= rule.threshold) is reached
    assert evidence.extra["same"] > sticks_s
    assert evidence.quiet_because == ""


def test_a_meter_says_why_its_row_is_not_judged() -> None:
    meter, rule = Meter(), FlowStuck(METER)
    meter.show(rule, 140)
    assert "not known yet" in of_scale(rule, meter.now, 0).quiet_because
    for number in [*flicker(1, 1.0)[:600], 0]:
        meter.show(rule, number)
    assert "closed valve" in of_scale(rule, meter.now, 0).quiet_because


def test_a_counter_that_began_anew_is_counted_and_a_slip_is_doubted_first() -> None:
    meter, rule = Meter("L", 0), CounterReset(METER)
    for number in [*range(1000, 1020), 3]:
        meter.show(rule, number)
    doubted = of_scale(rule, meter.now, 0)
    assert (doubted.statistic, doubted.threshold) == (1, 1)
    assert "slip" in doubted.quiet_because
    for number in range(4, 12):
        meter.show(rule, number)
    assert of_scale(rule, meter.now, 0).quiet_because == ""
    assert [j.active for _, j in meter.said] == [True]


def test_a_meter_that_shows_a_flow_counts_nothing() -> None:
    meter, rule = Meter(), CounterReset(METER)
    meter.show(rule, 140)
    assert "counts nothing" in of_scale(rule, meter.now, 0).quiet_because


def test_feed_that_moves_with_no_run_open_is_told_beside_what_it_takes() -> None:
    play = Play(feed_kg_h=lambda s: 60.0)
    rule = NoRunOpen(play.station)
    play.run([rule], 90)
    open_run = rule.evidence("feed", play.now)
    assert open_run is not None
    assert open_run.quiet_because == "a run is open"
    play.now.run_since_s = None
    play.run([rule], 100)
    evidence = rule.evidence("feed", play.now)
    assert evidence is not None
    assert evidence.statistic == pytest.approx(1000.0, rel=0.05)
    assert evidence.threshold == pytest.approx(200.0)
    assert (evidence.unit, evidence.window_s, evidence.quiet_because) == ("g", 60, "")
    assert rule.evidence("outlet0", play.now) is None


def test_a_feed_that_stands_is_not_moving() -> None:
    play = Play(feed_kg_h=lambda s: 0.0)
    play.now.run_since_s = None
    rule = NoRunOpen(play.station)
    play.run([rule], 100)
    evidence = rule.evidence("feed", play.now)
    assert evidence is not None
    assert abs(evidence.statistic or 0.0) < 0.2 * (evidence.threshold or 0.0)


@pytest.mark.parametrize(("seconds", "missing"), [(1000, "product"), (700, None)])
def test_feed_without_product_is_told_when_asked(seconds: int, missing: str | None) -> None:
    play = Play(open_part=lambda k, s: 0.0 if s >= 900 else 1.0)
    rule = FeedContradicted(play.station, play.expected)
    play.run([rule], seconds)
    evidence = rule.evidence("feed", play.now)
    assert evidence is not None
    assert evidence.extra.get("missing") == missing
    assert ((evidence.statistic or 0.0) >= rule.threshold) is (missing is not None)
