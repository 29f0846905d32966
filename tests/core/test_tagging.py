"""Spans against the plainest thing that does the same: a look at every run for every slot."""

from __future__ import annotations

import itertools
import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.core.actions import Amend, EndRun, OpenLot, StartRun
from logger.core.bay import Bay
from logger.core.entries import Action, Circumstance
from logger.core.tagging import SLOT_NS, Changed, Clockwork, Run, Spans, Tag, tagging
from tests.core.made_bays import Made, described

SLOTS = 14
STATIONS = ("table", "second", "none there")
NS = 10**9


@st.composite
def runs(draw: st.DrawFn) -> dict[str, Run]:
    """Runs of two stations that do not overlap, some touching, some shorter than a slot; any order."""
    found: list[tuple[str, Run]] = []
    for station in STATIONS[:2]:
        edges = sorted(draw(st.lists(st.integers(0, SLOTS * SLOT_NS), max_size=8)))
        spans = list(itertools.pairwise(edges))
        chosen = [span for span in spans if draw(st.booleans())]
        for number, (start, end) in enumerate(chosen):
            last = number == len(chosen) - 1
            open_end = last and draw(st.booleans())
            lot = draw(st.sampled_from([None, "", "lot 1", "lot 2"]))
            name = f"{station}-{draw(st.integers(0, 2)) * 100 + number}"
            found.append((name, (station, lot, start, None if open_end else end)))
    return dict(draw(st.permutations(found)))


def plain(told: dict[str, Run], station: str, slot: int) -> Tag:
    """The tag of a slot: it belongs to the run that holds its first nanosecond."""
    at_ns = slot * SLOT_NS
    for name, (where, lot, start, end) in told.items():
        if where == station and start <= at_ns and (end is None or at_ns < end):
            return Tag(name, lot or "")
    return Tag()


@settings(deadline=None)
@given(runs(), st.sampled_from(STATIONS), st.integers(0, (SLOTS + 2) * SLOT_NS))
def test_a_moment_has_the_tag_of_the_run_that_holds_its_slots_beginning(
    told: dict[str, Run], station: str, at_ns: int
) -> None:
    assert Spans(told).at(station, at_ns) == plain(told, station, at_ns // SLOT_NS)


@settings(deadline=None)
@given(runs(), st.sampled_from(STATIONS), st.integers(0, (SLOTS + 2) * SLOT_NS))
def test_a_stretch_has_one_tag_from_end_to_end(told: dict[str, Run], station: str, at_ns: int) -> None:
    spans = Spans(told)
    start_ns, end_ns, tag = spans.stretch(station, at_ns)
    last_ns = (SLOTS + 2) * SLOT_NS if end_ns is None else end_ns
    assert start_ns <= at_ns < max(last_ns, at_ns + 1)
    assert start_ns % SLOT_NS == 0
    assert {plain(told, station, slot) for slot in range(start_ns // SLOT_NS, last_ns // SLOT_NS)} <= {tag}


def changed_slots(changed: list[Changed]) -> dict[tuple[str, int], Tag]:
    """(station, slot) -> the tag it had; every slot may be named once only."""
    found: dict[tuple[str, int], Tag] = {}
    for station, from_ns, to_ns, was in changed:
        assert from_ns % SLOT_NS == 0
        last = SLOTS + 2 if to_ns is None else to_ns // SLOT_NS
        for slot in range(from_ns // SLOT_NS, last):
            assert (station, slot) not in found
            found[station, slot] = was
    return found


@settings(deadline=None)
@given(runs(), runs())
def test_changes_name_exactly_the_slots_whose_tag_is_another(
    old: dict[str, Run], new: dict[str, Run]
) -> None:
    expected = {
        (station, slot): plain(old, station, slot)
        for station in STATIONS
        for slot in range(SLOTS + 2)
        if plain(old, station, slot) != plain(new, station, slot)
    }
    assert changed_slots(Spans(old).changes(Spans(new))) == expected


@settings(deadline=None)
@given(runs(), runs())
def test_changes_are_as_few_as_can_be_and_in_order(old: dict[str, Run], new: dict[str, Run]) -> None:
    changed = Spans(old).changes(Spans(new))
    assert [each[:2] for each in changed] == sorted(each[:2] for each in changed)
    for one, other in itertools.pairwise(changed):
        assert (one.station, one.to_ns, one.was) != (other.station, other.from_ns, other.was)


@settings(deadline=None)
@given(runs())
def test_spans_are_kept_as_json_without_a_change(told: dict[str, Run]) -> None:
    kept = Spans.from_json(json.loads(json.dumps(Spans(told).to_json())))
    assert kept.changes(Spans(told)) == []
    assert kept.runs == told


def test_a_run_that_is_open_and_then_closed_at_the_last_moment_changes_nothing_before_it() -> None:
    before = Spans({"run-1": ("table", None, 0, None)})
    after = Spans({"run-1": ("table", None, 0, 5 * SLOT_NS)})
    assert before.changes(after) == [Changed("table", 5 * SLOT_NS, None, Tag("run-1"))]


@pytest.mark.parametrize("order", [("short", "long"), ("long", "short")])
def test_a_run_shorter_than_a_slot_takes_nothing_from_the_next(order: tuple[str, str]) -> None:
    told: dict[str, Run] = {"short": ("table", None, 1, 9), "long": ("table", None, 9, 3 * SLOT_NS)}
    spans = Spans({name: told[name] for name in order})
    assert spans.at("table", SLOT_NS) == Tag("long")
    assert spans.at("table", 3 * SLOT_NS) == Tag()


def test_what_a_bay_gives_is_a_copy_that_later_entries_do_not_change() -> None:
    bay = Bay(described(Made()))
    said = [OpenLot(lot="sweepings 7"), StartRun(lot="sweepings 7")]
    bay.apply(Circumstance(NS, "boot", "b", {"boot": "b", "offset_ns": 5}, seq=1))
    for seq, body in enumerate(said, 2):
        bay.apply(Action(seq * NS, body, seq=seq))
    given_before = tagging(bay)
    bay.apply(Action(9 * NS, EndRun(), seq=9))
    bay.apply(Circumstance(9 * NS, "clock", "b", {"boot": "b", "step_ns": 7, "trusted": True}, seq=10))
    assert given_before.runs == {"run-1": ("table", "sweepings 7", 3 * NS, None)}
    assert given_before.clockwork == (Clockwork(NS, 0, False),)
    assert tagging(bay).runs == {"run-1": ("table", "sweepings 7", 3 * NS, 9 * NS)}
    assert tagging(bay).clockwork == (Clockwork(NS, 7, True),)


def test_a_forgotten_start_that_is_told_later_changes_the_time_before_alone() -> None:
    bay = Bay(described(Made()))
    bay.apply(Action(10 * NS, StartRun(), seq=1))
    before = Spans(tagging(bay).runs)
    bay.apply(Action(20 * NS, Amend(entry=1, change={"time": "1970-01-01T00:00:04Z"}), seq=2))
    assert before.changes(Spans(tagging(bay).runs)) == [Changed("table", 4 * NS, 10 * NS, Tag())]
