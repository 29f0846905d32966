"""What a scale shows with nothing on it has moved."""

from __future__ import annotations

from dataclasses import replace

import pytest

from logger.core.bay import Bay
from logger.core.description import Channel
from logger.core.entries import Entry, Reading
from logger.core.rules.contract import ChannelNow, Judgement
from logger.core.rules.zero_drifted import ZeroDrifted
from logger.core.track.view import TrackState
from tests.core.made_bays import Made, Trouble, described, entries, folded, raised
from tests.core.rules.fakes import T0, FakeTrack

KIND = frozenset({"zero-drifted"})
CHANGES = tuple(Trouble("change", 0, at_s, at_s + 12) for at_s in (200, 400, 600))
MADE = Made(troubles=CHANGES)


def shifted(made: Made, from_s: int, by_g: int, until_s: int = 10**6) -> list[Entry]:
    """The bay's entries, out0 showing so much more between two seconds."""
    found = entries(made)
    begin_ns = found[0].at_ns
    return [
        entry._replace(number=entry.number + by_g)
        if isinstance(entry, Reading)
        and entry.channel == "out0"
        and from_s <= (entry.at_ns - begin_ns) / 1e9 < until_s
        else entry
        for entry in found
    ]


def scale(
    states: list[tuple[TrackState, float]], tare_mg: float | None = 1e6
) -> tuple[ZeroDrifted, ChannelNow]:
    """A rule that has seen those seconds of a quiet 5 g scale: state and what it showed, ten seconds each."""
    now = ChannelNow(Channel("scale", resolution_kg=0.005), track := FakeTrack(1))
    rule = ZeroDrifted(now.channel)
    said.clear()
    second = T0
    for state, shown in states:
        for _ in range(10):
            track.view.state, track.view.level_mg, track.view.tare_mg = state, shown, tare_mg
            track.view.noise_mg = 2_000.0
            said.extend(rule.tick(second, now))
            second += 1
    return rule, now


said: list[Judgement] = []
OFF, ON = TrackState.OFF, (TrackState.STEADY, 2e6)


def test_a_zero_that_moved_between_two_changes_is_told_when_the_pan_is_seen_again() -> None:
    found = folded(MADE, shifted(MADE, 500, 35))
    ((_, subject, at_s),) = raised(found, KIND)
    assert subject == "out0"
    assert 612 <= at_s < 625
    (data,) = [f.data for f in found if f.kind == "alarm" and f.data["kind"] == "zero-drifted"]
    assert data["evidence"]["off_kg"] == pytest.approx(0.035, abs=0.004)
    assert "steps of its display more" in data["what"]


def test_a_steady_zero_is_left_alone() -> None:
    assert raised(folded(MADE), KIND) == []


def test_it_is_not_said_while_the_container_stands_there() -> None:
    assert raised(folded(MADE, shifted(MADE, 300, 35, 380)), KIND) == []


def test_it_is_over_when_the_scale_was_set_to_zero() -> None:
    scale([(OFF, 0.0), ON, (OFF, 40_000.0), ON, (OFF, 0.0), ON])
    assert [j.active for j in said] == [True, False]


def test_what_a_wet_container_leaves_is_no_drift() -> None:
    scale([(OFF, 0.0), ON, (OFF, 6_000.0), ON])
    assert said == []


def test_something_that_lies_on_the_pan_is_told() -> None:
    scale([(OFF, 0.0), ON, (OFF, 300_000.0), ON])
    assert [j.active for j in said] == [True]
    assert "something lies on it" in said[0].what


def test_what_a_tared_scale_shows_empty_is_not_judged_and_it_says_so() -> None:
    rule, now = scale([(OFF, -900_000.0), ON, (OFF, -950_000.0), ON])
    evidence = rule.evidence(T0 + 40, now)
    assert said == []
    assert evidence is not None
    assert "tared away" in evidence.quiet_because


def test_a_container_that_is_tared_while_it_fills_is_no_empty_pan() -> None:
    """The scale shows nothing then, and a little more every second."""
    made = replace(MADE, troubles=CHANGES[:1], length_s=700)
    shown = [e.number for e in entries(made) if isinstance(e, Reading) and e.channel == "out0"]
    found = folded(made, shifted(made, 500, -shown[1000]))
    assert [f.data["what"] for f in found if f.kind == "recognised"][-1] == "tare-pressed"
    assert raised(found, KIND) == []


def test_a_hand_that_does_not_rest_is_no_zero() -> None:
    rule = ZeroDrifted(Channel("scale", resolution_kg=0.005))
    now = ChannelNow(rule_channel(), track := FakeTrack(1))
    found = []
    for second in range(60):
        track.view.state, track.view.tare_mg = OFF, 1e6
        track.view.level_mg = 0.0 if second < 12 else 50_000.0 + 20_000.0 * (second % 2)
        found += rule.tick(T0 + second, now)
    assert found == []


def rule_channel() -> Channel:
    return Channel("scale", resolution_kg=0.005)


def test_its_evidence_tells_grams_and_what_an_alarm_takes() -> None:
    rule, now = scale([(OFF, 0.0), ON, (OFF, 40_000.0), ON])
    evidence = rule.evidence(T0 + 40, now)
    assert evidence is not None
    assert (evidence.unit, evidence.statistic) == ("g", 40.0)
    assert evidence.threshold is not None
    assert 12.0 < evidence.threshold < 25.0


def test_a_described_bay_can_name_the_alarm_before_it_is_raised() -> None:
    bay = Bay(replace(described(MADE)))
    assert bay.alarms.find("table/zero-drifted/out0") is not None
