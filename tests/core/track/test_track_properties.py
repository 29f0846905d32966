"""What holds for every track: restarts, shifts in time, bounded memory, the contract of the view."""

from __future__ import annotations

import pickle
from collections.abc import Callable
from dataclasses import astuple
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.core.description import Channel, Container, FeedKind
from logger.core.track.core import STATES
from logger.core.track.ledger import KEPT
from logger.core.track.scale import ScaleTrack
from logger.core.track.view import TrackState, View
from tests.core.track.scales import RATE, Bench, feed, flowing, outlet, product_g


def eventful(t: float) -> float | None:
    """A bump, a change, silence, a tare and a sample within ten minutes."""
    if 100 <= t < 101.2:
        return 6000.0
    if 150 <= t < 170 or 300 <= t < 320:
        return 0.0 if t < 200 else None
    base = 1000 if t < 160 else 1100 - RATE * 140
    if t >= 400:
        base -= 700
    if t >= 450:
        base -= 150
    return base + product_g(t)


def test_before_any_reading_nothing_is_known() -> None:
    """Ticks alone keep a track waiting, and any question is answered with nothing."""
    track = outlet().track
    assert [track.tick(second, None) for second in range(1, 50)] == [[]] * 49
    assert track.view.state is TrackState.WAITING
    assert track.delivered_at(20) == track.var_at(20) == track.estimated_at(20) == 0.0
    assert track.tally(1, 40)[0] == 0.0


@pytest.mark.parametrize("second", [1, 50, 101, 155, 171, 310, 321, 401, 403, 451, 590])
def test_a_restart_changes_nothing(second: int) -> None:
    """A track read back from its pickle goes on to the last bit as the one that was never stopped."""
    whole, broken = outlet(), outlet()
    whole.play(600, eventful)
    broken.play(second, eventful)
    broken.track = pickle.loads(pickle.dumps(broken.track))
    broken.play(600 - second, eventful)
    assert astuple(broken.track.view) == astuple(whole.track.view)
    assert broken.events == whole.events
    assert [broken.at(t) for t in range(600)] == [whole.at(t) for t in range(600)]


@pytest.mark.parametrize("shift_s", [86_400, 1_600_000_000])
def test_the_time_of_day_does_not_matter(shift_s: int) -> None:
    """The same readings later give the same masses and events later."""
    now, later = outlet(), outlet()
    later.epoch_s += shift_s
    now.play(600, eventful)
    later.play(600, eventful)
    assert later.track.view.delivered_mg == now.track.view.delivered_mg
    assert later.track.view.var_mg2 == now.track.view.var_mg2
    assert [(e.what, e.step_mg, e.from_s - shift_s) for e in later.events] == [
        (e.what, e.step_mg, e.from_s) for e in now.events
    ]


def test_history_agrees_with_what_the_view_said() -> None:
    """While nothing is revised, delivered_at repeats the view."""
    bench = outlet()
    said = []
    for _ in range(300):
        bench.play(1, lambda t: 1000 + product_g(t))
        said.append(bench.delivered_g)
    assert [bench.at(t) for t in range(10, 301)] == pytest.approx(said[9:])
    assert bench.at(-50) == bench.at(0)
    assert bench.at(9999) == said[-1]


def test_history_is_kept_for_a_day_at_ten_seconds() -> None:
    """Older seconds are read off the line between tenth seconds; the memory does not grow without end."""
    track = ScaleTrack(Channel("out"), Container(), solids_density=None, history_s=7200)
    for second in range(1, 30_000):
        track.reading(second * 10**9, 1_000_000 + 1000 * second, None)
        track.tick(second, None)
        if second == 9000:
            size = len(pickle.dumps(track))
    assert len(pickle.dumps(track)) < 1.2 * size
    for second in (23_000, 26_123, 29_001, 29_900):
        wanted = 1000 * (29_000 - second)
        assert track.delivered_at(29_000) - track.delivered_at(second) == pytest.approx(wanted, abs=3000)
    assert track.delivered_at(5) == track.delivered_at(15_000)


def test_adjusting_moves_all_that_comes_after() -> None:
    """A correction counts from its second on, also in the view and after the next event."""
    bench = flowing()
    bench.track.adjust(1000 + 100, 500_000.0, 2000.0)
    bench.play(30, lambda t: 1000 + product_g(t) + (5000 if 210 <= t < 211 else 0))
    assert bench.at(99) == pytest.approx(RATE * 69, abs=8)
    assert bench.at(101) == pytest.approx(RATE * 71 + 500, abs=8)
    assert bench.delivered_g == pytest.approx(RATE * 200 + 500, abs=8)
    assert bench.track.var_at(1230) - bench.track.var_at(1050) == pytest.approx(4e6)


def test_corrections_replace_each_other() -> None:
    """A later one wins, and the first can be had back."""
    bench = flowing()
    bench.play(20, lambda t: 0.0)
    changed = bench.play(60, lambda t: 1100 + RATE * (t - 220))[0]
    before = bench.track.view.delivered_mg
    assert bench.track.correct(changed.number, credit_mg=100_000) == pytest.approx(
        100_000 - changed.credit_mg
    )
    assert bench.track.view.estimated_mg == pytest.approx(0.0, abs=1.0)
    assert bench.track.correct(changed.number, "nothing") != 0.0
    bench.track.correct(changed.number, credit_mg=changed.credit_mg)
    assert bench.track.view.delivered_mg == pytest.approx(before)


def test_unknown_corrections_are_refused_in_words() -> None:
    """The message says what is known, and what may be said."""
    bench = flowing()
    with pytest.raises(KeyError, match="no recognised event 7"):
        bench.track.correct(7, "product")
    bump = bench.play(20, lambda t: 1000 + product_g(t) + (5000 if t < 201 else 0))[0]
    with pytest.raises(ValueError, match='use "product", "nothing" or "change"'):
        bench.track.correct(bump.number, "magic")
    with pytest.raises(ValueError, match="exactly one"):
        bench.track.correct(bump.number)


def test_only_the_latest_events_can_be_corrected() -> None:
    """Two hundred are remembered."""
    bench = outlet()
    bench.play(8 * (KEPT + 5), lambda t: 1000 + (5000 if t % 8 < 1 and t > 20 else 0))
    last = bench.events[-1].number
    assert [e.number for e in bench.events] == list(range(1, last + 1))
    assert bench.track.correct(last, "nothing") == pytest.approx(0.0, abs=20_000)
    with pytest.raises(KeyError, match="no recognised event 1 "):
        bench.track.correct(1, "nothing")


def test_same_readings_are_counted() -> None:
    """The run of identical readings, and how often one repeats while nothing flows."""
    bench = outlet()
    bench.noise_g = 0.0
    bench.play(60, lambda t: 1000.0)
    assert bench.track.view.same_count == 300
    assert bench.track.view.p_same == 1.0
    bench.noise_g = 4.0
    bench.play(600, lambda t: 1000.0)
    assert bench.track.view.p_same == pytest.approx(0.45, abs=0.15)


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 2**32), st.sampled_from([None, *FeedKind]), st.booleans())
def test_whatever_comes_the_view_keeps_its_contract(seed: int, kind: FeedKind | None, net: bool) -> None:
    """Random levels, gaps, steps and silences: legal states, finite figures, no variance below 0."""
    rng = Random(seed)
    track = ScaleTrack(
        Channel("x", resolution_kg=rng.choice([0.001, 0.02]), shows="net" if net else "gross"),
        Container(),
        solids_density=None,
        feed=kind is not None,
        feed_kind=kind,
    )
    bench = Bench(track, seed=seed, hz=rng.choice([1, 5, 10]), noise_g=rng.choice([0.0, 1.0, 30.0]))
    state, last = track.view.state, 0
    for _ in range(40):
        force = line(rng.uniform(-3000, 20_000), rng.choice([0.0, 3.0, -14.0]), rng.random() < 0.15)
        for _ in range(rng.randint(1, 25)):
            found = bench.play(1, force, rng.choice([None, 0.0, 3.0]))
            view = track.view
            assert view.state is state or view.state in reachable(state)
            state = view.state
            assert view.now_s == bench.epoch_s + bench.t
            assert min(view.var_mg2, view.level_var_mg2, view.u_rate_mg_s) >= 0.0
            assert finite(view)
            assert [e.number for e in found] == list(range(last + 1, last + 1 + len(found)))
            last += len(found)


def line(level: float, slope: float, silent: bool) -> Callable[[float], float | None]:
    return lambda t: None if silent else level + slope * t


def reachable(state: TrackState) -> set[TrackState]:
    """What can follow within a second, over at most two transitions."""
    once = set(STATES[state])
    return once.union(*(STATES[one] for one in STATES[state]))


def finite(view: View) -> bool:
    figures = [x for x in astuple(view) if isinstance(x, float)]
    return all(abs(x) < 1e18 for x in figures)


def test_readings_are_not_kept() -> None:
    """A feed's track after an hour is no bigger than after ten minutes, but for its history."""
    bench = feed(FeedKind.HOPPER)
    bench.play(600, lambda t: 60_000 - 10 * t)
    small = len(pickle.dumps(bench.track))
    bench.play(3000, lambda t: 60_000 - 10 * t)
    assert len(pickle.dumps(bench.track)) < small + 3600 * 4 * 8
