"""What every rule promises, whatever it judges."""

from __future__ import annotations

import copy
import pickle
from collections.abc import Callable
from functools import cache

import pytest

from logger.core.description import Channel, Container, ContainerKind, FeedKind, Water
from logger.core.rules.book import channel_rules, station_rules
from logger.core.rules.container_missing import ContainerMissing
from logger.core.rules.container_near_full import ContainerNearFull
from logger.core.rules.contract import ChannelNow, Judgement, StationRule
from logger.core.rules.counter_reset import CounterReset
from logger.core.rules.expected import ExpectedFlow
from logger.core.rules.feed_contradicted import FeedContradicted
from logger.core.rules.feed_drift import FeedDrift
from logger.core.rules.feed_pulsing import FeedPulsing
from logger.core.rules.feed_stopped import FeedStopped
from logger.core.rules.feed_too_thick import FeedTooThick
from logger.core.rules.flow_stuck import FlowStuck
from logger.core.rules.instrument_frozen import InstrumentFrozen
from logger.core.rules.instrument_silent import InstrumentSilent
from logger.core.rules.instrument_unreadable import InstrumentUnreadable
from logger.core.rules.masses_not_closing import MassesNotClosing
from logger.core.rules.outlet_not_delivering import OutletNotDelivering
from logger.core.rules.outlet_slow import OutletSlow
from logger.core.rules.outlet_surging import OutletSurging
from logger.core.rules.product_astray import ProductAstray
from logger.core.rules.unit_changed import UnitChanged
from logger.core.rules.water_out_of_band import WaterOutOfBand
from logger.core.rules.zero_drifted import ZeroDrifted
from logger.core.track.view import TrackState
from tests.core.rules.fakes import T0, FakeTrack, Play

WATER = (Water("wash", "meter", 10.0, 16.0), Water("feed-water", "thin", goes_to="feed"))
CHANNELS = (Channel("scale"), Channel("meter", "flow"))
KINDS = {
    "outlet-not-delivering",
    "outlet-slow",
    "outlet-surging",
    "product-astray",
    "feed-contradicted",
    "feed-drift",
    "feed-pulsing",
    "feed-stopped",
    "container-near-full",
    "container-missing",
    "masses-not-closing",
    "no-run-open",
    "water-out-of-band",
    "feed-too-thick",
    "instrument-silent",
    "instrument-frozen",
    "instrument-unreadable",
    "unit-changed",
    "zero-drifted",
    "flow-stuck",
    "counter-reset",
}


def troubled(feed_kind: FeedKind = FeedKind.HOPPER) -> Play:
    """A station at which nearly everything goes wrong once, so that every rule has something to say."""

    def part(outlet: int, s: int) -> float:
        if outlet == 1 and 400 <= s < 510:
            return 0.0 if s < 500 else 25.0  # a plug that gives way, with more than was held back
        if 1400 <= s < 1450:
            return 0.0  # nothing reaches any outlet
        if outlet == 0 and 400 <= s < 500:
            return 3.0  # gains what its neighbour lacks
        return 0.63 if outlet == 2 and 940 <= s < 1500 else 1.0

    def feed(s: int) -> float:
        if s < 30 or 1500 < s < 2000:
            return 0.0
        pulse = (0.5, 1.5)[s // 10 % 2] if 1200 <= s < 1400 else 1.0
        return pulse * (75.0 if s > 900 else 60.0)

    def spoil(s: int, play: Play) -> None:
        view = play.tracks["outlet3"].view
        view.state = TrackState.OFF if 700 <= s < 850 else TrackState.STEADY
        view.state_since_s = T0 + 700 if s >= 700 else T0
        if 700 <= s < 850:
            view.changed_s = T0 + s
            view.level_mg = 0.0
        play.flows("meter", 7.0 if 300 <= s < 400 else 13.0)
        play.flows("thin", 0.8 if 350 <= s < 600 else 4.0)

    return Play(
        lump_mg=1_500.0,
        feed_kind=feed_kind,
        water=WATER,
        containers=tuple(Container(ContainerKind.DRAINS, full_kg=kg) for kg in (1.5, None, None, None)),
        feed_kg_h=feed,
        open_part=part,
        spoil=spoil,
    )


@cache
def said_in_trouble() -> tuple[tuple[int, Judgement], ...]:
    play = troubled()
    rules = station_rules(play.station, play.expected)
    play.run(rules, 1900)
    play.now.run_since_s = None  # and then somebody feeds, and forgets to start the next run
    return (*play.run(rules, 300), *said_of_water())


def said_of_water() -> list[tuple[int, Judgement]]:
    """At another station water is weighed as product, which would be a trouble to all its other rules."""
    play = Play(containers=(Container(ContainerKind.DRAINS),) * 4, open_part=lambda outlet, s: 1.5)
    rule = MassesNotClosing(play.station, play.expected)
    play.run([rule], 1500)
    play.now.run_since_s = None
    return play.run([rule], 10)


def station_kinds() -> list[str]:
    play = troubled()
    return [rule.kind for rule in station_rules(play.station, play.expected)]


def test_the_book_holds_every_kind_of_alarm() -> None:
    play = troubled()
    kinds = {rule.kind for rule in station_rules(play.station, play.expected)}
    kinds |= {rule.kind for channel in CHANNELS for rule in channel_rules(channel)}
    assert kinds == KINDS


def test_the_feed_is_judged_before_the_outlets() -> None:
    kinds = station_kinds()
    assert kinds.index("feed-stopped") < kinds.index("outlet-not-delivering") < kinds.index("outlet-slow")


def test_an_unweighed_feed_has_no_alarms() -> None:
    play = Play(feed_kind=FeedKind.UNWEIGHED)
    kinds = {rule.kind for rule in station_rules(play.station, play.expected)}
    assert not kinds & {"feed-stopped", "feed-drift"}


def test_before_any_feed_nothing_is_said() -> None:
    play = Play(feed_kg_h=lambda s: 0.0, water=WATER, target_kg_h=60.0)
    assert play.run(station_rules(play.station, play.expected), 600) == []


def test_an_undisturbed_run_is_silent() -> None:
    def spoil(s: int, play: Play) -> None:
        play.flows("meter", 13.0)
        play.flows("thin", 4.0)

    play = Play(water=WATER, spoil=spoil, seed=3)
    assert play.run(station_rules(play.station, play.expected), 3600) == []


@pytest.mark.parametrize("end_s", [480, 840])
def test_after_the_run_nothing_is_active(end_s: int) -> None:
    play = troubled()
    rules = station_rules(play.station, play.expected)
    play.run(rules, end_s)
    assert play.now.active
    play.now.run_since_s = None
    play.run(rules, 60)
    assert not play.now.active


@pytest.mark.parametrize("kind", station_kinds())
def test_only_changes_are_answered(kind: str) -> None:
    said = [j for _, j in said_in_trouble() if j.kind == kind]
    assert said, "the trouble must give every rule something to say"
    last: dict[str, tuple[bool, bool, str]] = {}
    for judgement in said:
        now = (judgement.active, judgement.suppressed, repr((judgement.what, judgement.evidence)))
        assert last.get(judgement.subject, (False, False, "")) != now
        last[judgement.subject] = now


def test_what_stands_is_not_restated_more_often_than_every_ten_seconds() -> None:
    last: dict[tuple[str, str], tuple[int, bool]] = {}
    gaps = []
    for second, judgement in said_in_trouble():
        key = (judgement.kind, judgement.subject)
        before, was = last.get(key, (0, False))
        gaps += [second - before] if was and judgement.active and not judgement.suppressed else []
        last[key] = (second, judgement.active and not judgement.suppressed)
    assert min(gaps) >= 10


def test_a_suppressed_judgement_names_the_cause() -> None:
    def spoil(s: int, play: Play) -> None:
        play.tracks["outlet1"].view.level_mg = 0.0 if s >= 600 else 1e6

    play = Play(spoil=spoil)
    said = [j for _, j in play.run(station_rules(play.station, play.expected), 900) if j.suppressed]
    assert said
    assert all(j.evidence["suppressed_by"] for j in said)


def test_rules_change_nothing_they_are_shown() -> None:
    play = troubled()
    rules = station_rules(play.station, play.expected)
    play.run(rules, 440)
    play.advance()
    before = pickle.dumps((play.now, play.tracks))
    for rule in rules:
        rule.tick(play.now)
    assert pickle.dumps((play.now, play.tracks)) == before


@pytest.mark.parametrize("stop", [100, 410, 760, 1490])
def test_a_pickle_resumes_identically(stop: int) -> None:
    play = troubled()
    rules = station_rules(play.station, play.expected)
    play.run(rules, stop)
    play.spoil = play.feed_kg_h = play.open_part = None  # type: ignore[assignment]  # functions don't pickle
    again, its_rules = pickle.loads(pickle.dumps((play, rules)))
    fresh = troubled()
    for each in (play, again):
        each.spoil, each.feed_kg_h, each.open_part = fresh.spoil, fresh.feed_kg_h, fresh.open_part
    assert again.run(its_rules, 200) == play.run(rules, 200)


def test_memory_is_bounded() -> None:
    """What a station's rules hold does not grow once their histories are full."""
    play = Play(seed=5)
    rules = station_rules(play.station, play.expected)
    sizes = []
    for _ in range(3):
        play.run(rules, 2100)
        sizes.append(len(pickle.dumps((play.expected, rules))))
    assert sizes[2] <= 1.02 * sizes[1]
    assert sizes[2] < 600_000


def test_every_judgement_tells_what_and_what_to_do() -> None:
    for second, judgement in said_in_trouble():
        assert judgement.what.endswith(".")
        assert judgement.do.endswith(".")
        assert judgement.since_s <= T0 + second


def test_feed_alarms_carry_the_feeds_channel() -> None:
    said = [j for _, j in said_in_trouble() if j.subject == "feed"]
    assert said
    assert {j.channel for j in said} == {"feed"}


BAD: list[Callable[[Play], object]] = [
    lambda p: OutletNotDelivering(p.station, p.expected, margin=-5.0),
    lambda p: OutletSlow(p.station, p.expected, threshold=100.0),
    lambda p: OutletSurging(p.station, p.expected, threshold=1.0),
    lambda p: ProductAstray(p.station, p.expected, threshold=1.0),
    lambda p: FeedStopped(p.station, p.expected, threshold=0.0),
    lambda p: FeedContradicted(p.station, p.expected, threshold=1.0),
    lambda p: FeedDrift(p.station, p.expected, threshold=-1.0),
    lambda p: FeedPulsing(p.station, p.expected, threshold=1.0),
    lambda p: ContainerNearFull(p.station, p.expected, left_s=-1.0),
    lambda p: ContainerMissing(p.station, p.expected, after_s=0),
    lambda p: WaterOutOfBand(p.station, p.expected, after_s=-1),
    lambda p: MassesNotClosing(p.station, p.expected, sure=1.0),
    lambda p: FeedTooThick(p.station, p.expected, sure=11.0),
    lambda p: InstrumentSilent(Channel("x"), least_s=0.0),
    lambda p: InstrumentUnreadable(Channel("x"), after_s=1.0),
    lambda p: InstrumentFrozen(Channel("x"), threshold=1.0),
    lambda p: FlowStuck(Channel("x", "flow"), threshold=1.0),
    lambda p: CounterReset(Channel("x", "flow"), shown_s=0),
    lambda p: UnitChanged(Channel("x"), after_s=-1),
    lambda p: ZeroDrifted(Channel("x"), sure=1.0),
]


@pytest.mark.parametrize("make", BAD)
def test_a_parameter_out_of_range_is_refused_with_the_range(make: Callable[[Play], object]) -> None:
    with pytest.raises(ValueError, match="must lie between"):
        make(Play())


@pytest.mark.parametrize("kind", [rule.kind for rule in channel_rules(Channel("scale"))])
def test_channel_rules_say_nothing_before_any_reading_for_half_a_minute(kind: str) -> None:
    (rule,) = [r for r in channel_rules(Channel("scale")) if r.kind == kind]
    now = ChannelNow(Channel("scale"), FakeTrack(1))
    now.track.view.state = TrackState.WAITING  # type: ignore[union-attr]
    assert [j for s in range(30) for j in rule.tick(T0 + s, now)] == []


@pytest.mark.parametrize("kind", [rule.kind for rule in channel_rules(Channel("scale"))])
def test_channel_rules_resume_from_a_pickle(kind: str) -> None:
    (rule,) = [r for r in channel_rules(Channel("scale", unit="kg")) if r.kind == kind]
    now = ChannelNow(Channel("scale", unit="kg"), FakeTrack(1))
    for s in range(150):
        feed_channel(now, s)
        rule.tick(T0 + s, now)
    again, its_now = pickle.loads(pickle.dumps((rule, copy.deepcopy(now))))
    ours: list[Judgement] = []
    theirs: list[Judgement] = []
    for s in range(150, 400):
        for each, its, out in ((rule, now, ours), (again, its_now, theirs)):
            feed_channel(its, s)
            out.extend(each.tick(T0 + s, its))
    assert ours
    assert ours == theirs


def feed_channel(now: ChannelNow, s: int) -> None:
    """A second of a scale that goes silent, freezes, changes its unit and talks gibberish in turn."""
    track = now.track
    assert isinstance(track, FakeTrack)
    track.close(T0 + s, 1000.0)
    if 340 <= s < 370:
        now.garbage, now.last_garbage_s = now.garbage + 5, float(T0 + s)
    elif not 200 <= s < 230:
        now.readings += 5
        now.last_reading_s = now.last_usable_s = float(T0 + s)
    now.unit = "lb" if s > 300 else "kg"
    track.view.same_count = 5 * (s - 250) if 250 < s < 290 else 1
    track.view.tare_mg = 1e6
    for begin, empty_mg in ((160, 0.0), (310, 40_000.0)):  # two changes of the container
        if begin <= s < begin + 12:
            track.view.state, track.view.level_mg = TrackState.OFF, empty_mg
        elif s == begin + 12:
            track.view.state = TrackState.STEADY


def test_rules_are_silent_about_a_station_they_were_just_built_for() -> None:
    play = Play()
    rules: list[StationRule] = station_rules(play.station, ExpectedFlow(play.station))
    assert [j for rule in rules for j in rule.tick(play.now)] == []
