"""What lies on the deck, by the lags and by what did not come, and how sure that is."""

from __future__ import annotations

from collections.abc import Callable
from random import Random

import pytest

from logger.core.bay import Bay
from logger.core.description import FeedKind
from logger.core.entries import Action
from logger.core.holdup import HoldUp, hold_up
from logger.core.picture import picture
from tests.core.folding import T0_S, configuration, entries, fold, foundry_trace
from tests.core.rules.fakes import Play

RATE_KG_S = 60.0 / 3600.0


def never(second: int) -> bool:
    return False


def seen(play: Play, plugged: Callable[[int], bool] = never) -> HoldUp:
    found = hold_up(play.now, play.expected, plugged)
    assert found is not None
    return found


def on_deck_kg(play: Play) -> float:
    """What was fed and has not arrived yet, lumps left out."""
    return sum(play._past_feed[-play.lag_s :]) / 1e6


def test_before_any_feed_nothing_lies_there() -> None:
    play = Play()
    play.run([], 20)
    assert seen(play).kg == pytest.approx(0.0, abs=0.01)


def test_a_steady_deck_holds_the_feed_of_its_lag() -> None:
    play = Play(lump_mg=500.0)
    play.run([], 700)
    found = seen(play)
    assert on_deck_kg(play) == pytest.approx(30 * RATE_KG_S)
    assert found.kg == pytest.approx(0.5, abs=0.15)
    assert found.low_kg < 0.5 < found.high_kg
    assert sum(found.by_outlet) == pytest.approx(found.kg)


def test_a_deck_runs_empty_when_the_feed_stops() -> None:
    play = Play(feed_kg_h=lambda s: 60.0 if 30 <= s < 600 else 0.0)
    play.run([], 600)
    full = seen(play)
    play.run([], 240)
    empty = seen(play)
    assert full.low_kg > 0.1
    assert empty.kg < 0.2
    assert empty.low_kg == 0.0


def test_what_a_plug_holds_back_lies_there_too() -> None:
    """Outlet 3 gets 0.4 of the feed; of what it held back in 100 s a tenth was forgotten."""
    play = Play(open_part=lambda outlet, s: 0.0 if outlet == 3 and s >= 600 else 1.0)
    play.run([], 600)
    before = seen(play)
    play.expected.lessons.hold(3, play.now.now_s)
    began = play.now.now_s
    play.run([], 100)
    after = seen(play, lambda second: second >= began)
    assert after.kg - before.kg == pytest.approx(100 * RATE_KG_S * 0.4, abs=0.25)
    assert after.low_kg <= on_deck_kg(play) + 100 * RATE_KG_S * 0.4 <= after.high_kg


def test_where_the_feed_is_not_weighed_it_is_not_known() -> None:
    play = Play(feed_kind=FeedKind.UNWEIGHED)
    play.run([], 100)
    assert hold_up(play.now, play.expected, never) is None


def test_the_interval_holds_the_truth_as_often_as_it_says() -> None:
    """95 % of the time, by its own word; 90 to 100 % is asked for here, on 14 decks of different lags and
    shares, told and untold, from start-up over a feed that stops and goes on to the end. (On bays with a
    physics of their own, with hands and troubles: tests/bench/holdup_bench.py.)"""
    dice = Random(11)
    held: list[bool] = []
    for seed in range(14):
        parts = [dice.uniform(0.5, 2.0) for _ in range(4)]
        stop_s = dice.randrange(420, 520)
        play = Play(
            shares=tuple(part / sum(parts) for part in parts), told=dice.random() < 0.5, seed=seed,
            lag_s=dice.randrange(12, 70), lump_mg=dice.uniform(500.0, 3_000.0),
            feed_kg_h=lambda s, stop_s=stop_s: 0.0 if s < 30 or stop_s <= s < stop_s + 90 else 60.0,
        )  # fmt: skip
        for _ in range(40):
            play.run([], 20)
            found = seen(play)
            held.append(found.low_kg - 1e-9 <= on_deck_kg(play) <= found.high_kg)
    assert len(held) == 560
    assert sum(held) / len(held) >= 0.90


def test_the_picture_and_the_tally_tell_it_and_a_run_that_ended_keeps_it() -> None:
    bay = Bay(configuration().bay)
    listed = entries(foundry_trace())
    fold(bay, listed[:-1])
    shown = picture(bay, {}, {}, "0")["stations"][0]
    assert shown["hold_up"]["low_kg"] < shown["hold_up"]["kg"] < shown["hold_up"]["high_kg"]
    assert shown["hold_up_kg"] == pytest.approx(shown["hold_up"]["kg"], abs=1e-5)
    true_kg = foundry_trace().truth.hold_up_kg[bay.at_ns // 10**9 - T0_S]
    assert shown["hold_up"]["low_kg"] <= true_kg <= shown["hold_up"]["high_kg"]
    run = bay.open_runs()[0]
    fold(bay, listed[-1:])
    ended = bay.run_tally(run)["hold_up"]
    assert isinstance(listed[-1], Action)
    later = [each._replace(at_ns=each.at_ns + 900 * 10**9) for each in listed[-300:-1]]
    fold(bay, later)
    assert bay.run_tally(run)["hold_up"] == ended
    assert ended["kg"] == pytest.approx(shown["hold_up"]["kg"], abs=0.05)
