"""Containers, water and instruments."""

from __future__ import annotations

import pytest

from logger.core.description import Channel, Container, ContainerKind, Outlet, Water
from logger.core.rules.container_missing import ContainerMissing
from logger.core.rules.container_near_full import ContainerNearFull, gross_mg, shown_mg
from logger.core.rules.contract import ChannelNow, Judgement
from logger.core.rules.instrument_frozen import InstrumentFrozen
from logger.core.rules.instrument_silent import InstrumentSilent
from logger.core.rules.instrument_unreadable import InstrumentUnreadable
from logger.core.rules.said import frozen_score
from logger.core.rules.unit_changed import UnitChanged
from logger.core.rules.water_out_of_band import WaterOutOfBand
from logger.core.track.view import TrackState
from tests.core.rules.fakes import KG_H, T0, FakeTrack, Play

LINE = (Water("wash", "meter", 10.0, 16.0),)


def with_level(level_kg: float, rate_kg_h: float, full: Container) -> Play:
    def spoil(s: int, play: Play) -> None:
        view = play.tracks["outlet0"].view
        view.level_mg = level_kg * 1e6
        view.rate_mg_s, view.u_rate_mg_s = rate_kg_h * KG_H, 0.01 * KG_H

    return Play(containers=(full, Container(), Container(), Container()), spoil=spoil)


@pytest.mark.parametrize(
    ("level_kg", "rate_kg_h", "raised"),
    [(9.0, 21.0, 1), (9.0, 19.0, 0), (9.6, 0.5, 1), (10.5, 0.0, 1), (5.0, 50.0, 0)],
)
def test_near_full_by_time_left_or_by_what_is_left(level_kg: float, rate_kg_h: float, raised: int) -> None:
    """1 kg to go: at 21 kg/h 171 s, at 19 kg/h 189 s; the last twentieth of 10 kg is 0.5 kg."""
    play = with_level(level_kg, rate_kg_h, Container(full_kg=10.0))
    play.run([ContainerNearFull(play.station, play.expected)], 120)
    assert len(play.raised("container-near-full")) == raised


def test_near_full_clears_when_the_container_was_changed() -> None:
    play = with_level(9.8, 6.0, Container(full_kg=10.0))
    rule = ContainerNearFull(play.station, play.expected)
    play.run([rule], 100)
    play.spoil = with_level(1.0, 6.0, Container()).spoil
    play.run([rule], 10)
    assert [j.active for _, j in play.said] == [True, False]


def test_without_a_told_limit_the_scales_capacity_counts() -> None:
    play = with_level(29.0, 1.0, Container())
    play.channels["outlet0"].channel = Channel("outlet0", capacity_kg=30.0)
    play.run([ContainerNearFull(play.station, play.expected)], 100)
    assert play.raised("container-near-full")[0][1].evidence["full_kg"] == pytest.approx(28.5)


def test_a_brim_full_container_shows_less_than_it_gets() -> None:
    """Bronze of 8.8 g/cm3: 1 - 1/8.8 = 0.886364."""
    outlet = Outlet("o", "o", Container(ContainerKind.BRIM_FULL), solids_density=8.8)
    assert shown_mg(1.0, outlet) == pytest.approx(0.886364, abs=1e-6)


@pytest.mark.parametrize(("off_s", "raised"), [(60, 0), (120, 1)])
def test_a_container_is_missed_after_a_minute_and_a_half(off_s: int, raised: int) -> None:
    def spoil(s: int, play: Play) -> None:
        view = play.tracks["outlet1"].view
        view.state = TrackState.OFF if 300 <= s < 300 + off_s else TrackState.STEADY
        view.state_since_s = T0 + 300
        view.level_mg = 0.0

    play = Play(spoil=spoil)
    play.run([ContainerMissing(play.station, play.expected)], 600)
    assert [j.active for _, j in play.said] == [True, False] * raised


def test_a_scale_that_gains_what_is_due_holds_a_container_whose_tare_was_pressed() -> None:
    def spoil(s: int, play: Play) -> None:
        view = play.tracks["outlet1"].view
        view.state = TrackState.OFF if s >= 300 else TrackState.STEADY
        view.state_since_s = T0 + 300

    play = Play(spoil=spoil)
    assert play.run([ContainerMissing(play.station, play.expected)], 600) == []


def test_an_outlet_that_hardly_delivers_is_given_the_time_it_takes_to_tell() -> None:
    """0.6 kg/h are 15 g in a minute and a half; 45 g take four and a half."""

    def spoil(s: int, play: Play) -> None:
        view = play.tracks["outlet0"].view
        view.state = TrackState.OFF if s >= 300 else TrackState.STEADY
        view.state_since_s = T0 + 300
        view.level_mg = 0.0

    play = Play(shares=(0.01, 0.99), spoil=spoil)
    play.run([ContainerMissing(play.station, play.expected)], 900)
    assert play.said[0][0] == pytest.approx(570, abs=30)


def pressed(tare_kg: float | None, net: bool) -> tuple[Outlet, ChannelNow]:
    """A container of 1.2 kg with 3.0 kg in it, tared at the scale or not."""
    track = FakeTrack(1)
    track.view.content_mg = 3.0e6
    track.view.tare_mg = 0.0 if net else 1.2e6
    track.view.level_mg = 3.0e6 + track.view.tare_mg
    return Outlet("o", "o", Container(tare_kg=tare_kg)), ChannelNow(Channel("o"), track)


@pytest.mark.parametrize("net", [False, True])
def test_a_tare_pressed_at_the_scale_changes_nothing_of_what_a_container_weighs(net: bool) -> None:
    outlet, channel = pressed(1.2, net)
    assert gross_mg(outlet, channel) == pytest.approx(4.2e6)


def test_a_tare_that_was_not_told_is_remembered_from_before_it_was_pressed() -> None:
    outlet, channel = pressed(None, True)
    assert gross_mg(outlet, channel, 1.2e6) == pytest.approx(4.2e6)
    assert gross_mg(outlet, channel) == pytest.approx(3.0e6)


def test_water_is_judged_by_its_mean_after_ten_seconds() -> None:
    def spoil(s: int, play: Play) -> None:
        play.flows("meter", 8.0 if 300 <= s < 400 else 13.0)

    play = Play(water=LINE, spoil=spoil)
    play.run([WaterOutOfBand(play.station, play.expected)], 600)
    assert [(j.active, j.channel) for _, j in play.said] == [(True, "meter"), (False, "meter")]
    assert 310 <= play.said[0][0] <= 330


def test_one_odd_reading_of_water_is_no_alarm() -> None:
    def spoil(s: int, play: Play) -> None:
        play.flows("meter", 0.0 if s % 100 == 0 else 13.0)

    play = Play(water=LINE, spoil=spoil)
    play.run([WaterOutOfBand(play.station, play.expected)], 900)
    assert play.said == []


def test_water_that_is_not_measured_is_not_judged() -> None:
    def spoil(s: int, play: Play) -> None:
        play.flows("meter", None if s >= 300 else 13.0)

    play = Play(water=LINE, spoil=spoil)
    assert play.run([WaterOutOfBand(play.station, play.expected)], 600) == []


def test_a_coarse_total_near_its_limit_is_given_its_uncertainty() -> None:
    """9.5 L/min below 10, from a total that tells the rate to 0.3 L/min only, is no alarm; 9.0 is."""

    def near(l_min: float) -> list[tuple[int, Judgement]]:
        def spoil(s: int, play: Play) -> None:
            flow = play.channels["meter"].flow
            assert flow is not None
            flow.view.total, flow.view.u_rate_l_min = True, 0.3
            play.flows("meter", l_min)

        play = Play(water=LINE, spoil=spoil)
        return play.run([WaterOutOfBand(play.station, play.expected)], 300)

    assert near(9.5) == []
    assert [j.active for _, j in near(9.0)] == [True]


def heard(
    rule: InstrumentSilent | InstrumentFrozen | UnitChanged, now: ChannelNow, s: int
) -> list[Judgement]:
    return rule.tick(T0 + s, now)


def speak(now: ChannelNow, s: int, count: int = 5) -> None:
    now.readings += count
    now.last_reading_s = now.last_usable_s = float(T0 + s)


def test_five_seconds_of_silence_of_a_lively_scale_are_remarked_on() -> None:
    rule, now, said = InstrumentSilent(Channel("x")), ChannelNow(Channel("x")), []
    for s in range(120):
        if s < 60 or s > 80:
            speak(now, s)
        said += [(s, j.active) for j in heard(rule, now, s)]
    assert said == [(65, True), (81, False)]


def test_a_slow_instrument_is_given_ten_of_its_own_intervals() -> None:
    rule, now, said = InstrumentSilent(Channel("x")), ChannelNow(Channel("x")), []
    for s in range(900):
        if s % 10 == 0 and s < 600:
            speak(now, s, 1)
        said += [(s, j.active) for j in heard(rule, now, s)]
    assert said == [(691, True)]


def test_a_told_interval_is_believed() -> None:
    assert InstrumentSilent(Channel("x", interval_s=60.0)).limit_s == 600.0


def test_a_link_that_is_down_is_told_at_once() -> None:
    rule, now, said = InstrumentSilent(Channel("x")), ChannelNow(Channel("x")), []
    for s in range(40):
        now.link_up = s < 20
        if s < 20:
            speak(now, s)
        said += [(s, j.active, j.evidence["link_down"]) for j in heard(rule, now, s)]
    assert said == [(22, True, True)]


def test_an_instrument_that_was_never_heard_is_told_after_half_a_minute() -> None:
    rule, now = InstrumentSilent(Channel("x")), ChannelNow(Channel("x"))
    assert [s for s in range(60) for j in heard(rule, now, s) if j.active] == [31]


def frozen(p_same: float, noise_mg: float, seconds: int = 60) -> list[int]:
    """Seconds after the freeze at which it is told; five readings a second, step 5 g."""
    track = FakeTrack(1)
    rule, now = InstrumentFrozen(Channel("x")), ChannelNow(Channel("x"), track)
    said = []
    for s in range(200 + seconds):
        track.close(T0 + s, 1000.0)
        track.view.p_same, track.view.noise_mg = p_same, noise_mg
        track.view.same_count = 1 + s % 3 if s < 200 else 5 * (s - 199)
        said += [s - 200 for j in heard(rule, now, s) if j.active]
    return said


def test_a_lively_scale_that_stands_still_is_frozen_within_seconds() -> None:
    (at,) = frozen(0.3, 5_000.0)
    assert at <= 8


def test_a_scale_much_steadier_than_its_step_is_never_called_frozen() -> None:
    assert frozen(0.99, 500.0) == []


def test_before_it_is_known_how_often_readings_repeat_nothing_is_called_frozen() -> None:
    assert frozen(0.0, 5_000.0) == []


def test_the_oddness_of_a_row_on_paper() -> None:
    """p = max(0.3, erf(5 / (2 sqrt 2 x 0.6 x 5)) = erf(0.58926) = 0.59534); 20 alike: 10.372 nats."""
    track = FakeTrack(1)
    track.view.p_same, track.view.noise_mg, track.view.same_count = 0.3, 5_000.0, 20
    assert frozen_score(ChannelNow(Channel("x"), track)) == pytest.approx(10.372, abs=0.002)


def units(channel: Channel, shown: list[tuple[str, str]]) -> list[tuple[int, bool]]:
    rule, now = UnitChanged(channel), ChannelNow(channel)
    said = []
    for s, (unit, mode) in enumerate(shown):
        speak(now, s)
        now.unit, now.mode = unit, mode
        said += [(s, j.active) for j in heard(rule, now, s)]
    return said


def test_a_unit_that_changes_by_itself_is_told_and_clears() -> None:
    shown = [("kg", "gross")] * 10 + [("lb", "gross")] * 10 + [("kg", "gross")] * 5
    assert units(Channel("x"), shown) == [(12, True), (20, False)]


def test_a_unit_other_than_the_configured_one_is_told_from_the_start() -> None:
    assert units(Channel("x", unit="kg"), [("lb", "")] * 5) == [(2, True)]


def test_a_mode_that_changes_is_told() -> None:
    assert units(Channel("x"), [("kg", "gross")] * 5 + [("kg", "net")] * 5) == [(7, True)]


def test_one_odd_line_is_no_change() -> None:
    assert units(Channel("x"), [("kg", "gross")] * 5 + [("lb", "gross")] + [("kg", "gross")] * 5) == []


# ---------------------------------------------------------------------- unreadable


def garbled(seconds: int, *, readings_every: int = 0, garbage: bool = True) -> list[Judgement]:
    """A channel whose bytes can't be read, or only now and then."""
    now = ChannelNow(Channel("meter", "flow"))
    rules = [InstrumentUnreadable(now.channel), InstrumentSilent(now.channel)]
    said: list[Judgement] = []
    for s in range(seconds):
        if garbage:
            now.garbage, now.last_garbage_s, now.garbage_reason = now.garbage + 1, float(T0 + s), "bad-line"
        if readings_every and s % readings_every == 0:
            now.readings, now.last_reading_s = now.readings + 1, float(T0 + s)
        said += [judgement for rule in rules for judgement in rule.tick(T0 + s, now)]
    return said


def test_bytes_that_cant_be_read_are_told_and_are_no_silence() -> None:
    said = garbled(60)
    assert [(j.kind, j.active) for j in said] == [("instrument-unreadable", True)]
    assert said[0].evidence["reason"] == "bad-line"


def test_a_spoiled_line_now_and_then_is_not_told() -> None:
    assert garbled(60, readings_every=3) == []


def test_an_instrument_that_says_nothing_is_silent_not_unreadable() -> None:
    assert [j.kind for j in garbled(60, garbage=False)] == ["instrument-silent"]
