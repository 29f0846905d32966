"""What findings become in the store, from bays that are played."""

from __future__ import annotations

import json
from collections import defaultdict
from itertools import pairwise
from math import inf, nan
from typing import Any

import pytest

from logger.core.actions import Amend, EndRun, OpenLot, StartRun, WeighProduct, Withdraw
from logger.core.bay import Bay
from logger.core.entries import Action, Circumstance, Entry, Finding, Record
from logger.core.tagging import SLOT_NS, Changed, Clockwork, Run, Spans, Tag, tagging
from logger.core.walltime import rfc3339
from logger.followers.store.places import Places
from logger.followers.store.points import NONE, Meaning, moment
from logger.followers.store.times import Times
from tests.core.folding import configuration, fold, foundry_trace
from tests.core.folding import entries as trace_entries
from tests.core.made_bays import T0_S, Made, Trouble, described, entries
from tests.followers.store.protocol import Parsed, parsed

NS = 10**9


def played(listed: list[Entry], bay: Bay) -> tuple[list[Record], Meaning]:
    """The record that a loop would make of it, and what it means by the books as they stand at the end."""
    records: list[Record] = []
    for entry in listed:
        numbered = entry._replace(seq=len(records) + 1)
        records.append(numbered)
        for finding in bay.apply(numbered):
            records.append(finding._replace(seq=len(records) + 1))
    times = Times()
    times.update(tagging(bay).clockwork, 0)
    return records, Meaning("foundry", Spans(bay.books.spans()), Places([(1, bay.description)]), times)


def found(records: list[Record], told: Meaning, measurement: str) -> list[Parsed]:
    points = [parsed(line.text) for line in told.lines(records)]
    return [point for point in points if point.measurement == measurement]


def a_bay(said: list[Action], made: Made | None = None) -> tuple[list[Record], Meaning]:
    made = made or Made(length_s=400)
    listed: list[Entry] = [entry for entry in entries(made) if not isinstance(entry, Action)]
    listed += said
    return played(sorted(listed, key=lambda entry: entry.at_ns), Bay(described(made)))


def at(second: float) -> int:
    return T0_S * NS + round(second * NS)


def last(points: list[Parsed], outlet: str) -> Parsed:
    return max((each for each in points if each.tags["outlet"] == outlet), key=lambda each: each.time_ns)


# ---------------------------------------------------------------------- rates and tallies


def test_rates_are_told_every_ten_seconds_under_the_channel_that_measures_them() -> None:
    records, told = a_bay([Action(at(5), StartRun())])
    points = found(records, told, "rate")
    feed = [each for each in points if each.tags["channel"] == "feed"]
    assert {each.tags["channel"] for each in points} == {"feed", "out0", "out1", "out2"}
    assert feed[-1].tags == {
        "bay": "foundry", "station": "table", "channel": "feed", "outlet": NONE, "lot": NONE, "run": "run-1"
    }  # fmt: skip
    assert feed[-1].fields["kg_h"] == pytest.approx(60.0, abs=3 * float(str(feed[-1].fields["u_kg_h"])))
    assert {b.time_ns // NS - a.time_ns // NS for a, b in pairwise(feed)} == {10}


def test_what_a_run_came_to_is_told_once_more_inside_the_run_when_it_is_closed() -> None:
    records, told = a_bay([Action(at(5), StartRun()), Action(at(301), EndRun())])
    [closed] = [each for each in records if isinstance(each, Finding) and each.kind == "run-closed"]
    point = last(found(records, told, "tally"), "out0")
    tally = closed.data["tally"]["outlets"]["out0"]
    assert moment(closed) == at(301) - SLOT_NS
    assert point.time_ns == at(301) - SLOT_NS + closed.seq % 9999
    assert (point.tags["run"], point.tags["channel"]) == ("run-1", "out0")
    assert point.fields["delivered_kg"] == tally["delivered_kg"]
    assert (point.fields["yield"], point.fields["told"]) == (tally["yield"], closed.seq)
    assert last(found(records, told, "tally"), NONE).fields["open"] is False


def test_a_run_that_is_ended_afterwards_has_its_last_tally_at_its_end() -> None:
    end = EndRun.model_validate({"action": "end-run", "time": rfc3339(at(250))})
    records, told = a_bay([Action(at(5), StartRun()), Action(at(390), end)])
    points = found(records, told, "tally")
    assert last(points, "out0").time_ns // SLOT_NS == at(250) // SLOT_NS - 1
    assert last(points, NONE).fields["open"] is False


def test_a_tally_of_a_run_that_does_not_hold_its_time_any_more_is_left_out() -> None:
    records, _ = a_bay([Action(at(5), StartRun())])
    runs: dict[str, Run] = {"run-9": ("table", None, at(5), at(100)), "run-1": ("table", None, at(100), None)}
    told = Meaning("foundry", Spans(runs), Places([(1, described(Made()))]), Times())
    assert {each.tags["run"] for each in found(records, told, "tally")} == {"run-1"}
    assert min(each.time_ns for each in found(records, told, "tally")) >= at(100)
    assert {each.tags["run"] for each in found(records, told, "rate")} == {"run-9", "run-1"}


def test_a_product_weighed_by_hand_stands_beside_what_its_scale_told() -> None:
    weighed = WeighProduct(outlet="out1", container="pail", gross=9.0, tare=1.0, run="run-1")
    records, told = a_bay([Action(at(5), StartRun()), Action(at(300), weighed), Action(at(301), EndRun())])
    point = last(found(records, told, "tally"), "out1")
    assert point.fields["by_hand_kg"] == 8.0
    assert "by_hand_kg" not in last(found(records, told, "tally"), "out0").fields


def test_the_water_of_a_run_stands_under_its_meter() -> None:
    text = configuration().text + '[stations.table.water.wash]\nmeter = "wash-water"\n'
    records, told = played(trace_entries(foundry_trace()), Bay(configuration(text).bay))
    tallies = [each for each in found(records, told, "tally") if each.tags["channel"] == "wash-water"]
    rates = [each for each in found(records, told, "rate") if each.tags["channel"] == "wash-water"]
    assert float(str(tallies[-1].fields["l"])) > 0
    assert rates[-1].fields.keys() == {"l_min", "u_l_min", "withdrawn"}


# ---------------------------------------------------------------------- alarms and runs


def test_an_alarm_is_told_with_its_state_and_whether_it_stands() -> None:
    trouble = Trouble("clog", 0, 500, 700)
    made = Made(length_s=900, troubles=(trouble,))
    records, told = played(entries(made), Bay(described(made)))
    points = [each for each in found(records, told, "alarm") if each.tags["subject"] == "out0"]
    states = [(each.fields["state"], each.fields["standing"]) for each in points]
    assert states[:2] == [("unacknowledged", 1), ("returned-unacknowledged", 0)]
    assert points[0].tags == {
        "bay": "foundry", "station": "table", "kind": "outlet-not-delivering", "subject": "out0",
        "lot": NONE, "run": "run-1",
    }  # fmt: skip
    assert points[0].fields["id"] == "table/outlet-not-delivering/out0"


def test_what_became_of_a_run_is_told_as_it_was_told_then() -> None:
    said = [
        Action(at(1), OpenLot(lot="sweepings 7")),
        Action(at(5), StartRun()),
        Action(at(100), EndRun()),
        Action(at(200), Amend(entry=0, change={"lot": "sweepings 7"})),
        Action(at(300), Withdraw(entry=0)),
    ]
    started = (
        sum(entry.at_ns < at(5) for entry in entries(Made(length_s=400)) if not isinstance(entry, Action)) + 2
    )
    said[3] = Action(at(200), Amend(entry=started, change={"lot": "sweepings 7"}))
    said[4] = Action(at(300), Withdraw(entry=started))
    records, told = a_bay(said)
    points = found(records, told, "run")
    events = [(each.fields["event"], each.tags["run"], each.tags["lot"]) for each in points]
    assert events == [
        ("opened", "run-1", NONE),
        ("closed", "run-1", NONE),
        ("changed", "run-1", "sweepings 7"),
    ]
    assert points[1].fields["start"] == rfc3339(at(5))
    assert points[1].fields["end"] == rfc3339(at(100))


def test_the_times_of_a_run_are_wall_times() -> None:
    boot = Circumstance(at(0), "boot", "b", {"boot": "b", "offset_ns": 0})
    clock = Circumstance(at(1), "clock", "b", {"boot": "b", "step_ns": 3600 * NS, "trusted": True})
    listed: list[Entry] = [boot, clock, Action(at(5), StartRun())]
    records, told = played(listed, Bay(described(Made())))
    [point] = found(records, told, "run")
    assert point.fields["start"] == rfc3339(at(3605))
    assert point.time_ns // SLOT_NS == at(3605) // SLOT_NS


def test_a_run_event_is_never_withdrawn() -> None:
    records, told = a_bay([Action(at(5), StartRun()), Action(at(100), EndRun())])
    lines = told.withdrawn(records, [Changed("table", 0, None, Tag("run-1"))])
    assert {parsed(line.text).measurement for line in lines} == {"reading", "rate", "tally", "alarm"}
    assert {tuple(parsed(line.text).fields.items()) for line in lines} == {
        (("retracted", 1), ("withdrawn", 1))
    }


# ---------------------------------------------------------------------- whatever the journal holds


def test_a_field_has_one_type_in_all_that_a_bay_tells() -> None:
    types: dict[tuple[str, str], set[type]] = defaultdict(set)
    records, told = played(trace_entries(foundry_trace()), Bay(configuration().bay))
    for line in told.lines(records):
        point = parsed(line.text)
        for name, value in point.fields.items():
            types[point.measurement, name].add(type(value))
    assert {measurement for measurement, _ in types} == {"reading", "rate", "tally", "alarm", "run"}
    assert [key for key, kinds in types.items() if len(kinds) > 1] == []


def test_whole_numbers_of_json_are_floats_where_masses_are() -> None:
    data = {"run": "", "station": "table", "feed_kg": 5, "feed_u_kg": 0, "outlets": {}, "hold_up": None}
    [line] = Meaning("b", Spans({}), Places([]), Times()).lines([Finding(0, "tally", "", 1, data, 1)])
    assert " feed_kg=5,told=1i,u_feed_kg=0,withdrawn=0i " in line.text


@pytest.mark.parametrize("value", [nan, inf, -inf, None, "5", True, [], {}])
def test_what_is_no_number_never_leaves(value: Any) -> None:
    data = {"feed": [value, 1.0], "outlets": {"a": [value, value], "b": value}, "water": value}
    lines = Meaning("b", Spans({}), Places([]), Times()).lines([Finding(0, "rates", "table", 1, data, 1)])
    assert [parsed(line.text).fields for line in lines] == [{"u_kg_h": 1.0, "withdrawn": 0}]


WRONG: tuple[Any, ...] = (None, 5, "text", [], [1], {}, {"": {}}, {"a": None}, True, {"a": {"name": 5}})
NAMES = ("feed", "outlets", "water", "run", "station", "lot", "tally", "old", "new", "start", "end",
         "hold_up", "by_hand", "rhythm", "kind", "subject", "alarm_state", "what")  # fmt: skip


@pytest.mark.parametrize(
    "kind", ["rates", "tally", "alarm", "run-opened", "run-closed", "run-changed", "run-withdrawn"]
)
def test_a_finding_of_any_shape_gives_sound_lines_or_none(kind: str) -> None:
    times = Times()
    times.update([Clockwork(0, 5 * NS, True)], 0)
    told = Meaning("b", Spans({}), Places([(1, described(Made()))]), times)
    shapes: list[dict[str, Any]] = [{}]
    shapes += [{name: value} for name in NAMES for value in WRONG]
    shapes += [dict.fromkeys(NAMES, value) for value in WRONG]
    for data in shapes:
        finding = Finding(5, kind, "subject", 1, json.loads(json.dumps(data)), 7)
        for line in told.lines([finding]):
            assert parsed(line.text).time_ns >= 0
        told.withdrawn([finding], [Changed("", 0, None, Tag())])


def test_a_finding_that_is_for_no_store_gives_no_line() -> None:
    records, told = played(trace_entries(foundry_trace()), Bay(configuration().bay))
    others = [each for each in records if isinstance(each, Finding) and each.kind == "recognised"]
    assert others
    assert told.lines(others) == []


def test_no_two_points_of_a_played_bay_are_the_same() -> None:
    records, told = played(trace_entries(foundry_trace()), Bay(configuration().bay))
    points = [parsed(line.text) for line in told.lines(records)]
    keys = {(each.measurement, tuple(sorted(each.tags.items())), each.time_ns) for each in points}
    assert len(keys) == len(points)


def test_a_played_bay_folds_the_same_with_and_without_numbers() -> None:
    """The record that these tests make has the findings that a fold gives."""
    records, _ = played(trace_entries(foundry_trace()), Bay(configuration().bay))
    kinds = [each.kind for each in fold(Bay(configuration().bay), trace_entries(foundry_trace()))]
    assert [each.kind for each in records if isinstance(each, Finding)] == kinds
