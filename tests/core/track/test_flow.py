"""A flow meter's track: flows, totals and counts -> litres and a rate."""

from __future__ import annotations

from math import sqrt

import pytest

from logger.core.track.flow import ASSUMED_MOST_L_MIN, FlowTrack
from logger.core.track.flow_view import FlowState
from tests.core.track.meters import T0, counts, meter, run


def steady(l_min_tenths: int, seconds: int, every_s: float = 1.0) -> list[tuple[float, int]]:
    return [(i * every_s, l_min_tenths) for i in range(int(seconds / every_s) + 1)]


# ---------------------------------------------------------------------- before anything


def test_before_any_reading_nothing_is_known() -> None:
    track = run(FlowTrack(meter("L/min")), [], "L/min", until_s=60)
    assert (track.view.state, track.view.rate_l_min, track.view.litres) == (FlowState.WAITING, None, 0.0)
    assert track.passed(T0, T0 + 60) == (0.0, 0.0, 0.0, 0.0, 60.0)


@pytest.mark.parametrize("unit", ["kg", "", "L/min/min", "pulse"])
def test_a_unit_that_is_none_of_water_is_not_believed(unit: str) -> None:
    track = FlowTrack(meter("L"))
    assert track.reading(T0 * 10**9, 1, unit, 0) == "unit-not-understood"
    track.tick(T0 + 1)
    assert track.view.state is FlowState.WAITING


def test_more_than_can_flow_is_not_believed() -> None:
    track = FlowTrack(meter("L/min", most_l_min=40.0))
    assert track.reading(T0 * 10**9, 401, "L/min", -1) == "beyond-capacity"
    assert track.reading(T0 * 10**9, 400, "L/min", -1) == ""


# ---------------------------------------------------------------------- a flow


def test_a_steady_flow_is_integrated() -> None:
    """14 L/min for 10 min is 140 L; one digit of 0.1 L/min errs alike all the time: 1 L / sqrt(12)."""
    track = run(FlowTrack(meter("L/min", resolution_kg=0.1)), steady(140, 600), "L/min", -1)
    passed = track.passed(T0, T0 + 600)
    assert passed.litres == pytest.approx(140.0, rel=1e-12)
    assert passed.u_l == pytest.approx(1.0 / sqrt(12.0))
    assert (passed.unknown_l, passed.unknown_s) == (0.0, 0.0)
    assert track.view.rate_l_min == pytest.approx(14.0)


def test_a_ramp_is_integrated_exactly() -> None:
    """The trapezoid of a straight line is its area: 0 to 60 L/min over a minute is 30 L."""
    track = run(FlowTrack(meter("L/min")), [(i, i) for i in range(61)], "L/min")
    assert track.passed(T0, T0 + 60).litres == pytest.approx(30.0, rel=1e-12)
    assert track.passed(T0, T0 + 30).litres == pytest.approx(7.5, rel=1e-12)


def test_a_silence_is_unknown_water_and_never_integrated() -> None:
    """14 L/min, a minute of silence, 14 L/min: 28 L measured, 14 L guessed apart, u = 14 / sqrt(3)."""
    shown = [*steady(14, 60), *((120.0 + t, q) for t, q in steady(14, 60))]
    passed = run(FlowTrack(meter("L/min")), shown, "L/min").passed(T0, T0 + 180)
    assert passed.litres == pytest.approx(28.0, rel=1e-12)
    assert passed.unknown_s == pytest.approx(60.0)
    assert passed.unknown_l == pytest.approx(14.0)
    assert passed.u_unknown_l == pytest.approx(14.0 / sqrt(3.0), rel=0.01)


def test_in_a_silence_the_rate_is_not_known_and_unknown_water_grows() -> None:
    track = run(FlowTrack(meter("L/min")), steady(12, 60), "L/min", until_s=90)
    assert (track.view.state, track.view.rate_l_min) == (FlowState.SILENT, None)
    assert track.passed(T0, T0 + 90).unknown_l == pytest.approx(6.0)
    assert track.passed(T0, T0 + 80).unknown_s == pytest.approx(20.0)


def test_the_time_before_the_first_reading_is_unknown() -> None:
    shown = [(30.0 + t, q) for t, q in steady(12, 60)]
    passed = run(FlowTrack(meter("L/min")), shown, "L/min").passed(T0, T0 + 90)
    assert passed.unknown_s == pytest.approx(30.0)
    assert passed.litres == pytest.approx(12.0)


def test_a_meter_that_speaks_every_ten_seconds_is_not_silent_between() -> None:
    track = run(FlowTrack(meter("L/min")), steady(6, 300, 10.0), "L/min", until_s=308)
    assert track.view.state is FlowState.SPEAKING
    assert track.view.rate_l_min == pytest.approx(6.0)
    assert track.passed(T0, T0 + 300).litres == pytest.approx(30.0)


def test_a_late_reading_changes_nothing() -> None:
    shown = steady(14, 60)
    late = [*shown[:31], (29.5, 900), *shown[31:]]
    straight, disordered = (run(FlowTrack(meter("L/min")), s, "L/min") for s in (shown, late))
    assert straight.passed(T0, T0 + 60).litres == disordered.passed(T0, T0 + 60).litres


def test_the_meters_own_error_counts_where_it_is_told() -> None:
    """2 % of 140 L as limits of a rectangular distribution: 2.8 / sqrt(3) (JCGM 100, 4.3.7)."""
    track = run(FlowTrack(meter("L/min", accuracy=0.02)), steady(14, 600), "L/min")
    digit = 10.0 / sqrt(12.0)
    assert track.passed(T0, T0 + 600).u_l == pytest.approx(sqrt((2.8 / sqrt(3.0)) ** 2 + digit**2), rel=1e-6)


# ---------------------------------------------------------------------- a total, a count


def test_a_count_is_litres_by_the_pulses_of_a_litre() -> None:
    """105 pulses a second at 450 to the litre are 14 L/min."""
    track = run(FlowTrack(meter("pulse", pulses_per_l=450.0)), counts(105, 600), "pulse")
    passed = track.passed(T0, T0 + 600)
    assert passed.litres == pytest.approx(140.0, abs=1e-6)
    assert passed.u_l == pytest.approx(1.0 / 450.0 / sqrt(6.0))
    assert track.view.rate_l_min == pytest.approx(14.0, rel=0.002)
    assert track.view.rate_window_s == 5.0


def test_a_coarse_count_is_averaged_for_longer() -> None:
    """10 L a step at 14 L/min, a step every 43 s: the rate needs minutes, and says how sure it is."""
    track = run(FlowTrack(meter("L")), counts(14 / 60 / 10, 1200), "L", 1)
    assert track.view.rate_window_s == 320.0
    assert track.view.u_rate_l_min == pytest.approx(10.0 / sqrt(6.0) / (320.0 / 60.0))
    assert track.view.rate_l_min == pytest.approx(14.0, abs=2.5 * track.view.u_rate_l_min)


def test_a_stop_of_a_counter_is_seen_within_its_window() -> None:
    shown = [*counts(105, 300), *((300.0 + i, 31_500) for i in range(1, 11))]
    track = run(FlowTrack(meter("pulse", pulses_per_l=450.0)), shown, "pulse")
    assert track.view.rate_l_min == pytest.approx(0.0, abs=0.01)
    assert track.view.state is FlowState.SPEAKING


def test_what_passed_in_a_silence_a_total_tells_afterwards() -> None:
    shown = [s for s in counts(2.0, 300) if not 100 < s[0] < 200]
    track = run(FlowTrack(meter("L")), shown, "L")
    assert track.passed(T0, T0 + 300) == pytest.approx((600.0, 1.0 / sqrt(6.0), 0.0, 0.0, 0.0))
    assert track.passed(T0 + 120, T0 + 180).litres == pytest.approx(120.0)


@pytest.mark.parametrize("every_s", [0.2, 1.0, 2.0])
def test_a_wrap_is_no_loss(every_s: float) -> None:
    """A 16-bit counter wraps once in 11 minutes at 105 pulses a second."""
    shown = [(t, n % 65536) for t, n in counts(105, 600, every_s, start=60_000)]
    channel = meter("pulse", pulses_per_l=450.0, wraps_at=65536, most_l_min=60.0)
    track = run(FlowTrack(channel), shown, "pulse")
    assert track.passed(T0, T0 + 600)[0] == pytest.approx(140.0, abs=1e-6)
    assert (track.view.wraps, track.view.resets) == (1, 0)


def test_a_wrap_is_in_the_last_digit() -> None:
    """A display of four digits and one decimal, 9999.9 L: it wraps at 100000 of its steps."""
    shown = [(t, n % 100_000) for t, n in counts(3, 300, start=99_500)]
    track = run(FlowTrack(meter("L", wraps_at=100_000)), shown, "L", -1)
    assert track.passed(T0, T0 + 300)[0] == pytest.approx(90.0)
    assert track.view.wraps == 1


def test_a_reset_begins_anew_and_loses_and_invents_nothing() -> None:
    """A count to 60000, a reset to 0, and on: what passed in that one second is said to be unknown."""
    first = counts(105, 300, start=30_000)
    again = [(t + 301.0, n) for t, n in counts(105, 299)]
    channel = meter("pulse", pulses_per_l=450.0, wraps_at=65536, most_l_min=60.0)
    track = run(FlowTrack(channel), [*first, *again], "pulse")
    passed = track.passed(T0, T0 + 600)
    assert (track.view.wraps, track.view.resets) == (0, 1)
    assert passed.litres == pytest.approx((105 * 300 + 105 * 299) / 450.0)
    assert passed.unknown_s == pytest.approx(1.0)
    assert passed.unknown_l == pytest.approx(14.0 / 60.0, rel=0.01)
    assert passed.u_unknown_l == pytest.approx(14.0 / 60.0 / sqrt(3.0), rel=0.05)


def test_a_reset_without_a_told_wrap_is_one_whatever_the_number() -> None:
    track = run(FlowTrack(meter("L")), [(0, 65_530), (1, 65_531), (2, 0), (3, 1)], "L")
    assert (track.view.resets, track.view.litres) == (1, 2.0)


def test_a_jump_up_beyond_what_can_flow_is_unknown_water() -> None:
    """A meter was exchanged: the other one's number is no water."""
    shown = [*counts(0.2, 60, start=10), *((61.0 + t, n) for t, n in counts(0.2, 60, start=5_000))]
    track = run(FlowTrack(meter("L")), shown, "L")
    assert track.view.litres == pytest.approx(24.0)
    assert track.view.resets == 1


@pytest.mark.parametrize("slip", [0, 70_000_000])
@pytest.mark.parametrize("times", [1, 3])
def test_a_slip_of_the_line_is_neither_water_nor_a_reset(slip: int, times: int) -> None:
    shown = counts(2.0, 120, start=5_000_000)
    spoilt = [(t, slip if 60 <= t < 60 + times else n) for t, n in shown]
    track = run(FlowTrack(meter("L")), spoilt, "L")
    assert track.view.resets == 0
    assert track.passed(T0, T0 + 120).litres == pytest.approx(240.0)
    assert track.passed(T0, T0 + 120).unknown_s == pytest.approx(0.0)


def test_a_small_total_that_slips_to_nothing_for_one_reading_is_not_counted_twice() -> None:
    shown = [(t, 0 if t == 60 else n) for t, n in counts(0.2, 120, start=3)]
    track = run(FlowTrack(meter("L")), shown, "L")
    assert track.passed(T0, T0 + 120).litres == pytest.approx(24.0)


def test_a_silence_in_which_it_may_have_wrapped_more_than_once_is_unknown() -> None:
    """An 8-bit counter of 10 pulses a litre is round in 25.6 L; at 30 L/min a minute may hide more."""
    shown = [(t, n % 256) for t, n in counts(4, 240) if not 100 < t < 160]
    channel = meter("pulse", pulses_per_l=10.0, wraps_at=256, most_l_min=30.0)
    track = run(FlowTrack(channel), shown, "pulse")
    passed = track.passed(T0, T0 + 240)
    assert passed.litres == pytest.approx(180 * 0.4)
    assert passed.unknown_s == pytest.approx(60.0)
    assert passed.unknown_l == pytest.approx(24.0, rel=0.05)
    assert track.view.resets == 0


def test_the_last_digit_may_swing_back() -> None:
    shown = [(i, 100 + i // 10 + (i % 2)) for i in range(100)]
    track = run(FlowTrack(meter("L", wraps_at=1_000_000)), shown, "L")
    assert (track.view.resets, track.view.wraps) == (0, 0)
    assert track.view.litres == pytest.approx(shown[-1][1] - shown[0][1])


def test_a_meter_that_changes_from_flow_to_total_begins_anew() -> None:
    track = run(FlowTrack(meter("L")), steady(12, 60), "L/min")
    run(track, [(61.0 + t, n) for t, n in counts(0.2, 59, start=700)], "L")
    passed = track.passed(T0, T0 + 120)
    assert passed.unknown_s == pytest.approx(1.0)
    assert passed.litres == pytest.approx(12.0 + 11.0, abs=1.0)


def test_without_being_told_only_what_no_hose_carries_is_disbelieved() -> None:
    a_second = int(ASSUMED_MOST_L_MIN / 60.0)
    track = run(FlowTrack(meter("L")), counts(a_second, 60), "L")
    assert track.view.resets == 0
    assert track.view.litres == pytest.approx(60.0 * a_second)
