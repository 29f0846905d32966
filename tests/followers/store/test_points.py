"""What an entry becomes in the store."""

from __future__ import annotations

from logger.core.entries import Circumstance, Garbage, Reading, Tick
from logger.core.tagging import Changed, Spans, Tag
from logger.followers.store.places import Places
from logger.followers.store.points import Line, Meaning
from logger.followers.store.times import Times
from tests.core.made_bays import Made, described

BAY = described(Made())
PLACES = Places([(1, BAY)])
MS = 10**6


def meaning(runs: dict[str, tuple[str, str | None, int, int | None]] | None = None) -> Meaning:
    return Meaning("foundry", Spans(runs or {}), PLACES, Times())


def test_a_reading_is_one_line_with_all_tags() -> None:
    told = meaning({"run-1": ("table", "lot 7", 0, None)}).lines(
        [Reading(1_000_000, "out1", 12345, -3, "kg", True, seq=3)]
    )
    assert told == [
        Line(
            3,
            1_000_000,
            r"reading,bay=foundry,channel=out1,lot=lot\ 7,outlet=out1,run=run-1,station=table "
            "kg=12.345,stable=true,withdrawn=0i 1000003",
        )
    ]


def test_entries_that_are_no_figures_give_no_line() -> None:
    entries = [Garbage(1, "out1", b"x", "bad", 1), Circumstance(2, "boot", "", {}, 2), Tick(3, 3)]
    assert meaning().lines(entries) == []


def test_a_withdrawn_point_keeps_its_key_and_time_under_the_old_tag() -> None:
    reading = Reading(5 * MS, "out1", 1, 0, "kg", seq=4)
    changed = [Changed("table", 0, 6 * MS, Tag("run-1", "a"))]
    assert [line.text for line in meaning().withdrawn([reading], changed)] == [
        "reading,bay=foundry,channel=out1,lot=a,outlet=out1,run=run-1,station=table withdrawn=1i 5000004"
    ]
