"""A run's tally weeks later: what the tracks no longer reach back to is kept."""

from __future__ import annotations

from typing import Any

import pytest

from tests.core.test_bookkeeping import Play

DAY_S = 86_400
MASSES = ("feed_kg", "feed_u_kg", "hold_up_kg", "outlets", "start", "end")


def a_run(play: Play) -> dict[str, Any]:
    """A run of five minutes, and its tally at its end."""
    play.run(30)
    play.say("start-run", run="run-1")
    play.flows = True
    play.run(300)
    play.flows = False
    play.run(30)
    play.say("end-run", hold_up="0.2 kg")
    return play.tally()


def later(play: Play, days: float) -> None:
    """Nothing is read for days."""
    play.second += round(days * DAY_S)
    play.run(3)


@pytest.mark.parametrize("days", [0.5, 2, 30])
def test_the_masses_of_a_run_stay_what_they_were(days: float) -> None:
    play = Play()
    before = a_run(play)
    later(play, days)
    after = play.tally()
    assert before["feed_kg"] == pytest.approx(3.0, abs=0.02)
    assert before["outlets"]["tailings"]["delivered_kg"] == pytest.approx(1.5, abs=0.02)
    assert {key: after[key] for key in MASSES} == {key: before[key] for key in MASSES}


def test_what_was_weighed_by_hand_later_counts() -> None:
    play = Play()
    a_run(play)
    later(play, 3)
    play.say("weigh-product", run="run-1", outlet="concentrate", container="1", gross="1.6 kg", tare="0.2 kg")
    outlet = play.tally()["outlets"]["concentrate"]
    assert (outlet["delivered_kg"], outlet["says"], outlet["by_difference"]) == (
        1.4,
        "weighed by hand",
        False,
    )


def test_a_hold_up_that_is_corrected_later_counts() -> None:
    play = Play()
    a_run(play)
    later(play, 3)
    end = play.bay.books.runs["run-1"].end_entry
    play.say("amend", entry=end, change={"hold_up": "0.3 kg"})
    assert (play.tally()["hold_up_kg"], play.tally()["hold_up_how"]) == (0.3, "declared")


def test_a_correction_within_the_day_is_in_what_is_kept() -> None:
    """The weight was misread, and put right after the run's end: each ten minutes it is taken again."""
    play = Play()
    a_run(play)
    play.tailings_g += 500.0  # something is laid on the scale between two readings
    play.run(120)
    play.tailings_g -= 500.0
    play.run(120)
    run = play.bay.books.runs["run-1"]
    play.say("amend", entry=run.end_entry, change={"hold_up": "0.1 kg"})
    play.run(700)
    fresh = play.tally()
    later(play, 3)
    assert {key: play.tally()[key] for key in MASSES} == {key: fresh[key] for key in MASSES}
    assert play.tally()["hold_up_kg"] == 0.1


def test_a_span_corrected_too_late_says_which_span_its_masses_are_of() -> None:
    play = Play()
    before = a_run(play)
    later(play, 3)
    run = play.bay.books.runs["run-1"]
    play.say("amend", entry=run.entry, change={"time": "2026-03-02T06:01:00Z"})
    after = play.tally()
    assert after["start"] == before["start"]
    assert play.bay.books.run_json(play.bay.books.runs["run-1"])["start"] == "2026-03-02T06:01:00.000Z"


def test_a_closed_run_keeps_its_tally_when_it_is_remembered_coarsely() -> None:
    """From a quarter of an hour after its end it stays what it is."""
    play = Play()
    before = a_run(play)
    play.flows = True
    play.run(1_000)
    then = play.tally()
    play.run(1_500)
    assert {key: play.tally()[key] for key in MASSES} == {key: then[key] for key in MASSES}
    assert then["feed_kg"] == pytest.approx(before["feed_kg"], abs=0.02)


def test_what_is_corrected_in_the_weight_is_taken_anew_while_it_is_remembered() -> None:
    play = Play()
    play.run(30)
    play.say("start-run", run="run-1")
    play.flows = True
    play.run(200)
    play.say("container-changed", outlet="tailings")
    play.tailings_g -= 1_000.0
    play.run(100)
    play.say("end-run")
    before = play.tally()["outlets"]["tailings"]["delivered_kg"]
    play.run(1_200)
    play.say("correct", recognised="tailings#1", credit="0.4 kg")
    corrected = play.tally()["outlets"]["tailings"]["delivered_kg"]
    later(play, 3)
    assert corrected - before > 0.2
    assert play.tally()["outlets"]["tailings"]["delivered_kg"] == corrected


def test_a_run_said_long_afterwards_has_no_masses() -> None:
    play = Play()
    a_run(play)
    later(play, 3)
    times = {"time": "2026-03-03T06:00:00Z", "until": "2026-03-03T06:30:00Z"}
    play.say("start-run", run="late", **times)
    tally = play.tally("late")
    assert tally["taken"] is None
    assert tally["feed_kg"] is None
    assert [outlet["delivered_kg"] for outlet in tally["outlets"].values()] == [None, None]
