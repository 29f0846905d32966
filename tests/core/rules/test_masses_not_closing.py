"""What came out since the run began beside what went in."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise

import pytest

from logger.core.description import Container, ContainerKind
from logger.core.rules.masses_not_closing import MOIST, MassesNotClosing
from tests.core.rules.fakes import Play

DRAINS = (Container(ContainerKind.DRAINS),) * 4
Part = Callable[[int, int], float]


def judged(
    part: Part, seconds: int = 2400, containers: tuple[Container, ...] = DRAINS
) -> tuple[MassesNotClosing, Play]:
    """The rule alone, after so many seconds in which each outlet lets through ``part(outlet, second)``."""
    play = Play(containers=containers, open_part=part, lump_mg=500.0)
    rule = MassesNotClosing(play.station, play.expected)
    play.run([rule], seconds)
    return rule, play


def test_masses_that_close_say_nothing() -> None:
    rule, play = judged(lambda outlet, s: 1.0)
    evidence = rule.evidence("feed", play.now)
    assert play.said == []
    assert evidence is not None
    assert evidence.statistic is not None
    assert evidence.statistic < 0.1 * (evidence.threshold or 0.0)


def test_a_part_that_runs_beside_is_missing_and_told_with_its_uncertainty() -> None:
    _, play = judged(lambda outlet, s: 0.8 if outlet == 3 else 1.0)
    first = play.said[0][1]
    assert first.active
    assert "did not come out" in first.what
    assert "grows with the feed" in first.what
    last = play.said[-1][1].evidence
    assert last["percent_of_feed"] == pytest.approx(8.0, abs=2.0)
    assert last["missing_kg"] == pytest.approx(0.01 * last["percent_of_feed"] * last["fed_kg"], rel=0.01)


def test_it_is_raised_once_and_restated_every_minute_at_most() -> None:
    _, play = judged(lambda outlet, s: 0.8 if outlet == 3 else 1.0)
    assert {j.since_s for _, j in play.said} == {play.said[0][1].since_s}
    times = [s for s, _ in play.said]
    assert min(b - a for a, b in pairwise(times)) >= 60


def test_a_loss_within_what_moisture_explains_is_left_alone() -> None:
    assert judged(lambda outlet, s: 1.0 - 0.6 * MOIST)[1].said == []


def test_drained_product_may_hold_water() -> None:
    assert judged(lambda outlet, s: 1.15)[1].said == []


def test_water_that_is_weighed_as_product_is_too_much() -> None:
    _, play = judged(lambda outlet, s: 1.4)
    assert "more came out" in play.said[0][1].what
    assert play.said[-1][1].evidence["too_much_kg"] > 0.0


def test_a_spill_is_told_as_what_opened_at_once() -> None:
    def spill(s: int, play: Play) -> None:
        if s == 1300:
            play.tracks["outlet3"].true_mg -= 6e6

    play = Play(containers=DRAINS, spoil=spill)
    play.run([MassesNotClosing(play.station, play.expected)], 2400)
    _, last = play.said[-1]
    assert "at once" in last.what
    assert "spilled" in last.what


def test_it_clears_only_when_well_below_what_it_takes() -> None:
    """What was missing is found and credited: first a little of it, then nearly all."""

    def found(s: int, play: Play) -> None:
        if s in (2600, 3000):
            play.tracks["outlet3"].true_mg += 0.5e6 if s == 2600 else 3.5e6

    play = Play(containers=DRAINS, spoil=found, open_part=lambda k, s: 0.8 if k == 3 and s < 2500 else 1.0)
    play.run([MassesNotClosing(play.station, play.expected)], 3600)
    cleared = [s for s, j in play.said if not j.active]
    assert len(cleared) == 1
    assert cleared[0] >= 3000


def test_it_ends_with_the_run() -> None:
    rule, play = judged(lambda outlet, s: 0.8)
    play.now.run_since_s = None
    play.run([rule], 5)
    assert not play.said[-1][1].active


def test_a_plugged_outlet_puts_it_off() -> None:
    play = Play(containers=DRAINS, open_part=lambda outlet, s: 0.8)
    play.now.active["outlet-not-delivering", "outlet1"] = 0
    rule = MassesNotClosing(play.station, play.expected)
    play.run([rule], 2400)
    evidence = rule.evidence("feed", play.now)
    assert play.said == []
    assert evidence is not None
    assert "plugged" in evidence.quiet_because


KINDS = [
    (Container(ContainerKind.RETAINS), "keeps its water"),
    (Container(), "not told whether"),
    (Container(ContainerKind.BRIM_FULL), "density"),
]


@pytest.mark.parametrize(("container", "why"), KINDS)
def test_where_water_may_be_weighed_nothing_is_judged_and_it_says_why(container: Container, why: str) -> None:
    rule, play = judged(lambda outlet, s: 0.5, 1800, (*DRAINS[:3], container))
    evidence = rule.evidence("feed", play.now)
    assert play.said == []
    assert evidence is not None
    assert why in evidence.quiet_because


def test_an_outlet_that_is_not_weighed_ends_the_matter() -> None:
    play = Play(containers=DRAINS)
    outlets = (*play.station.outlets[:3], replace(play.station.outlets[3], channel=None))
    rule = MassesNotClosing(replace(play.station, outlets=outlets), play.expected)
    evidence = rule.evidence("feed", play.now)
    assert evidence is not None
    assert "is not weighed" in evidence.quiet_because


def test_a_young_run_is_not_judged_and_it_says_so() -> None:
    rule, play = judged(lambda outlet, s: 0.5, 400)
    evidence = rule.evidence("feed", play.now)
    assert play.said == []
    assert evidence is not None
    assert "younger" in evidence.quiet_because
    assert rule.evidence("outlet1", play.now) is None
