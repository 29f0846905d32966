"""What holds for every flow meter, whatever it shows."""

from __future__ import annotations

from dataclasses import asdict
from fractions import Fraction
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.core.description import Channel
from logger.core.track.flow import FlowTrack
from logger.core.units import FLOW_L_MIN, VOLUME_L
from logger.journal.checkpoint import freeze, thaw
from tests.core.track.meters import NS, T0, Shown, meter, run

WRAP = 1000
COUNTER = meter("pulse", pulses_per_l=10.0, wraps_at=WRAP, most_l_min=600.0)  # 100 pulses a second at most


@st.composite
def flows(draw: st.DrawFn) -> list[Shown]:
    """Readings a fifth of a second to seven seconds apart, silences among them."""
    gaps = draw(st.lists(st.integers(1, 35), min_size=1, max_size=60))
    shown, at = [], 0
    for gap in gaps:
        shown.append((at / 5, draw(st.integers(0, 500))))
        at += gap
    return shown


@st.composite
def lives_of_a_counter(draw: st.DrawFn) -> tuple[list[Shown], int, list[bool]]:
    """Readings one second apart with wraps and resets, how many pulses were seen, and where it was reset.

    A reset falls on a number that no modular difference could explain.
    """
    number, seen = draw(st.integers(0, WRAP - 1)), 0
    shown, resets = [(0.0, number)], [False]
    for second in range(1, draw(st.integers(2, 60))):
        reset = 300 <= number <= 700 and draw(st.integers(0, 9)) == 0 and second > 3 and not any(resets[-3:])
        if reset:
            number = 0
        else:
            step = draw(st.integers(0, 90))
            number, seen = (number + step) % WRAP, seen + step
        shown.append((float(second), number))
        resets.append(reset)
    return shown, seen, resets


def state(track: FlowTrack) -> object:
    return asdict(track.view), [
        track.passed(T0 + a, T0 + a + b) for a in range(0, 60, 7) for b in (1, 30, 99)
    ]


@settings(max_examples=80)
@given(lives_of_a_counter())
def test_what_was_seen_is_the_sum_of_the_increments_modulo_wraps(
    life: tuple[list[Shown], int, list[bool]],
) -> None:
    """Last - first modulo wraps, epoch by epoch; each reset leaves one second of unknown water."""
    shown, seen, resets = life
    track = run(FlowTrack(COUNTER), shown, "pulse")
    assert round(track.view.litres * 10.0, 6) == seen
    assert track.view.resets == sum(resets)
    passed = track.passed(T0, T0 + int(shown[-1][0]))
    assert passed.litres == pytest.approx(seen / 10.0)
    assert passed.unknown_s == pytest.approx(sum(resets))


@settings(max_examples=60)
@given(flows(), st.integers(1, 60))
def test_a_restart_at_any_second_changes_nothing(shown: list[Shown], cut: int) -> None:
    at = min(cut, len(shown))
    whole = run(FlowTrack(meter("L/min")), shown, "L/min", -1)
    part = run(FlowTrack(meter("L/min")), shown[:at], "L/min", -1, close=False)
    again = run(thaw(freeze(part)), shown[at:], "L/min", -1, until_s=whole.view.now_s - T0)
    assert state(again) == state(whole)


@settings(max_examples=60)
@given(lives_of_a_counter(), st.integers(1, 60))
def test_a_restart_of_a_counters_track_changes_nothing(
    life: tuple[list[Shown], int, list[bool]], cut: int
) -> None:
    shown = life[0]
    at = min(cut, len(shown))
    whole = run(FlowTrack(COUNTER), shown, "pulse")
    again = run(thaw(freeze(run(FlowTrack(COUNTER), shown[:at], "pulse", close=False))), shown[at:], "pulse")
    assert state(again) == state(whole)


def _in(unit: str, factors: dict[str, Fraction], tenths: int) -> int:
    """A number of tenths of a litre (a minute) in billionths of another unit."""
    return round(Fraction(tenths, 10) / factors[unit] * 10**9)


@settings(max_examples=40)
@given(flows(), st.sampled_from(sorted(FLOW_L_MIN)))
def test_the_unit_of_a_flow_does_not_matter(shown: list[Shown], unit: str) -> None:
    """The same flow in another unit, to nine decimals: the same litres within the rounding."""
    ours = run(FlowTrack(meter("L/min")), shown, "L/min", -1)
    other = [(t, _in(unit, FLOW_L_MIN, n)) for t, n in shown]
    theirs = run(FlowTrack(meter("L/min")), other, unit, -9)
    here, there = (track.passed(T0, T0 + 300) for track in (ours, theirs))
    digit = FLOW_L_MIN[unit] * Fraction(1, 10**9)
    assert there.litres == pytest.approx(here.litres, abs=float(300 * digit) + 1e-6)
    assert there.unknown_s == here.unknown_s


@settings(max_examples=40)
@given(st.lists(st.integers(0, 90), min_size=2, max_size=60), st.sampled_from(sorted(VOLUME_L)))
def test_the_unit_of_a_total_does_not_matter(steps: list[int], unit: str) -> None:
    totals = [sum(steps[: i + 1]) for i in range(len(steps))]
    ours = run(FlowTrack(meter("L")), [(float(i), n) for i, n in enumerate(totals)], "L", -1)
    other = [(float(i), _in(unit, VOLUME_L, n)) for i, n in enumerate(totals)]
    theirs = run(FlowTrack(meter("L")), other, unit, -9)
    digit = float(VOLUME_L[unit]) * 1e-9
    assert theirs.view.litres == pytest.approx(ours.view.litres, abs=2 * digit + 1e-8)


@settings(max_examples=40)
@given(flows(), st.integers(0, 300), st.integers(0, 300))
def test_the_parts_of_a_span_make_the_whole(shown: list[Shown], one: int, two: int) -> None:
    track = run(FlowTrack(meter("L/min")), shown, "L/min", -1, until_s=300)
    cuts = sorted((T0, T0 + one, T0 + two, T0 + 300))
    parts = [track.passed(a, b) for a, b in pairwise(cuts)]
    assert sum(p.litres for p in parts) == pytest.approx(track.passed(T0, T0 + 300).litres, abs=1e-9)


@settings(max_examples=60)
@given(
    st.lists(
        st.tuples(
            st.integers(0, 400),
            st.integers(-(10**12), 10**12),
            st.sampled_from(["L/min", "gal/h", "L", "m3", "gal", "pulse", "kg", "", "??"]),
            st.integers(-6, 3),
        ),
        max_size=60,
    )
)
def test_nothing_a_wire_may_say_breaks_it(said: list[tuple[int, int, str, int]]) -> None:
    """Any number, unit and disorder: the measured and the unknown stay finite, the unknown never below 0."""
    track = FlowTrack(Channel("water", "flow", pulses_per_l=450.0, wraps_at=65536))
    due = T0
    for tenths, number, unit, exp in said:
        track.reading(T0 * NS + tenths * 10**8, number, unit, exp)
        due = max(due, T0 + tenths // 10)
        track.tick(due)
    passed = track.passed(T0, due + 20)
    assert all(abs(figure) < 1e18 for figure in passed)
    assert min(passed.unknown_l, passed.unknown_s, passed.u_l, passed.u_unknown_l) >= 0.0


def test_memory_is_bounded() -> None:
    """A day and a half at 1 Hz holds no more than a day."""
    track = FlowTrack(meter("L/min"), history_s=7200)
    run(track, ((float(i), 140) for i in range(9000)), "L/min", -1)
    size = len(freeze(track))
    run(track, ((float(i), 140) for i in range(9000, 14_000)), "L/min", -1)
    assert len(freeze(track)) <= 1.05 * size
