"""The fold as a whole: pure, restartable anywhere, and right about what it is told."""

from __future__ import annotations

import json
from itertools import pairwise
from random import Random
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.core.actions import BODY
from logger.core.bay import Bay
from logger.core.entries import Action, Circumstance, Entry, Finding, Garbage, Reading, Tick
from logger.journal.checkpoint import freeze, thaw
from tests.core.folding import NS, T0, T0_S, configuration, entries, fold, foundry_trace

TWO = """
[stations.north]
target = "60 kg/h"
resolution = "5 g"
outlets = ["concentrate", "tailings"]
[stations.south.feed]
kind = "unweighed"
[stations.south]
resolution = "5 g"
outlets = ["middlings", "fines"]
"""

CAPACITY = "".join(
    f'[instruments.{name}]\nresolution = "5 g"\ncapacity = "30 kg"\n'
    for name in ("feed", "concentrate", "tailings", "middlings", "fines")
)


def text(found: list[Finding]) -> str:
    return "\n".join(json.dumps(finding, ensure_ascii=False) for finding in found)


def say(bay: Bay, at_s: float, seq: int = 0, **said: Any) -> list[Finding]:
    body = BODY.validate_python(said)
    return bay.apply(Action(T0 + round(at_s * NS), body, body.id, seq=seq))


@pytest.fixture
def bay() -> Bay:
    return Bay(configuration().bay)


def test_folding_twice_gives_the_same_findings_to_the_byte() -> None:
    listed = entries(foundry_trace())
    first, second = (text(fold(Bay(configuration().bay), listed)) for _ in range(2))
    assert first == second
    assert "container-changed" in first


def test_a_restart_at_any_entry_changes_nothing() -> None:
    """Freeze and thaw at 40 random entries: findings and tally stay the same to the byte."""
    listed = entries(foundry_trace())
    whole = Bay(configuration().bay)
    expected = text(fold(whole, listed))
    cuts = {0, *Random(7).sample(range(len(listed)), 40)}
    bay = Bay(configuration().bay)
    found: list[Finding] = []
    for number, entry in enumerate(listed):
        if number in cuts:
            bay = thaw(freeze(bay))
        found += bay.apply(entry)
    assert text(found) == expected
    assert bay.run_tally(bay.books.runs["run-1"]) == whole.run_tally(whole.books.runs["run-1"])


def test_another_start_of_time_changes_only_the_times() -> None:
    """Shifting all entries by whole days shifts findings and changes no mass (time shift invariance)."""
    listed = entries(foundry_trace())
    shift = 86400 * 17 * NS
    moved = [entry._replace(at_ns=entry.at_ns + shift) for entry in listed]
    here, there = Bay(configuration().bay), Bay(configuration().bay)
    first, second = fold(here, listed), fold(there, moved)
    assert [f.at_ns + shift for f in first] == [f.at_ns for f in second]
    assert [(f.kind, f.subject, f.cause) for f in first] == [(f.kind, f.subject, f.cause) for f in second]
    tallies = [b.run_tally(b.books.runs["run-1"])["outlets"] for b in (here, there)]
    assert tallies[0] == tallies[1]


def test_pounds_give_the_same_masses_as_kilograms() -> None:
    """The same weights shown in lb (to 1 mg) lead to the same tally within the rounding."""
    listed = entries(foundry_trace(duration_s=300.0))

    def in_pounds(entry: Entry) -> Entry:
        if type(entry) is not Reading or entry.unit != "kg":
            return entry
        mg = entry.number * 10 ** (6 + entry.exp)
        return entry._replace(number=round(mg / 0.45359237), exp=-6, unit="lb")

    kg, lb = Bay(configuration().bay), Bay(configuration().bay)
    fold(kg, listed)
    fold(lb, [in_pounds(entry) for entry in listed])
    for name, outlet in kg.run_tally(kg.books.runs["run-1"])["outlets"].items():
        other = lb.run_tally(lb.books.runs["run-1"])["outlets"][name]
        assert other["delivered_kg"] == pytest.approx(outlet["delivered_kg"], abs=1e-5)


def test_ticks_in_silence_change_nothing_but_the_time(bay: Bay) -> None:
    """A journal has Ticks where a CSV has gaps; both fold alike."""
    listed = entries(foundry_trace(duration_s=300.0))
    gap = [e for e in listed if not (T0 + 100 * NS <= e.at_ns < T0 + 140 * NS)]
    ticks = [Tick(T0 + (100 + i) * NS + 5) for i in range(40)]
    ticked = sorted([*gap, *ticks], key=lambda e: e.at_ns)
    plain, other = fold(bay, gap), fold(Bay(configuration().bay), ticked)
    assert [(f.at_ns, f.kind, f.data) for f in plain] == [(f.at_ns, f.kind, f.data) for f in other]


@settings(max_examples=60, deadline=None)
@given(st.data())
def test_no_sequence_of_entries_breaks_the_fold(data: st.DataObject) -> None:
    """Hostile numbers, units, gaps, unknown channels, garbage and circumstances only ever give findings."""
    bay = Bay(configuration(TWO).bay)
    at_ns = T0
    channels = st.sampled_from(["feed", "concentrate", "tailings", "middlings", "fines", "elsewhere", ""])
    reading = st.builds(
        Reading,
        st.just(0),
        channels,
        st.integers(-(10**9), 10**9),
        st.integers(-6, 3),
        st.sampled_from(["kg", "g", "lb", "oz", "L/min", "", "??"]),
        st.sampled_from([True, False, None]),
        st.sampled_from(["ok", "zero", "over", "under", "unknown", "zero-error"]),
        st.sampled_from(["", "gross", "net", "tare"]),
    )
    circumstance = st.builds(
        lambda channel, state: Circumstance(0, "link", channel, {"state": state}),
        channels,
        st.sampled_from(["up", "down"]),
    )
    other = st.one_of(
        st.builds(Garbage, st.just(0), channels, st.binary(max_size=20), st.just("too-long")),
        circumstance,
        st.just(Tick(0)),
        st.just(Circumstance(0, "boot", "b", {"boot": "b", "offset_ns": 0})),
        st.sampled_from(
            [
                Action(0, BODY.validate_python(said))
                for said in (
                    {"action": "start-run", "station": "north"},
                    {"action": "end-run", "station": "north"},
                    {"action": "container-set", "station": "north", "outlet": "concentrate"},
                    {"action": "correct", "recognised": "concentrate#1", "was": "product"},
                    {"action": "acknowledge", "alarm": "all"},
                    {"action": "shelve", "alarm": "concentrate", "minutes": 1},
                )
            ]
        ),
    )
    for seq in range(1, data.draw(st.integers(2, 80))):
        entry = data.draw(st.one_of(reading, reading, other))
        at_ns += data.draw(st.sampled_from([0, 10**8, 2 * 10**8, NS, 5 * NS, 90 * NS, -(10**8)]))
        for finding in bay.apply(entry._replace(at_ns=at_ns, seq=seq)):
            json.dumps(finding.data, allow_nan=False)
    thaw(freeze(bay))


def test_a_run_is_opened_and_closed_with_its_tally(bay: Bay) -> None:
    listed = entries(foundry_trace(duration_s=300.0))
    found = fold(bay, listed)
    closed = [f for f in found if f.kind == "run-closed"]
    assert len(closed) == 1
    assert closed[0].data["tally"]["outlets"]["concentrate"]["delivered_kg"] > 0.3


def test_a_refused_action_is_a_finding_with_its_reason(bay: Bay) -> None:
    found = say(bay, 0, action="end-run")
    assert [f.kind for f in found] == ["refused"]
    assert "no run is open" in found[0].data["reason"]


def test_an_id_makes_an_action_idempotent(bay: Bay) -> None:
    say(bay, 0, seq=1, action="open-lot", lot="L1", id="k")
    found = say(bay, 1, seq=2, action="open-lot", lot="L1", id="k")
    assert [(f.kind, f.data["seq"]) for f in found] == [("repeated", 1)]
    assert list(bay.books.lots) == ["L1"]


def test_an_id_that_was_used_for_something_else_is_refused(bay: Bay) -> None:
    say(bay, 0, seq=1, action="open-lot", lot="L1", id="k")
    found = say(bay, 1, seq=2, action="open-lot", lot="L2", id="k")
    assert [f.kind for f in found] == ["refused"]
    assert "was used for another action (entry 1, open-lot)" in found[0].data["reason"]
    assert list(bay.books.lots) == ["L1"]


def test_a_forgotten_start_gives_the_tally_from_the_earlier_time() -> None:
    """Saying the start 200 s late gives the very tally of having said it in time."""
    trace = foundry_trace(duration_s=300.0)
    listed = entries(trace, run=False)
    in_time, late = Bay(configuration().bay), Bay(configuration().bay)
    say(in_time, 60, action="start-run")
    # folding goes by the order of entries, so the early start is said at its place
    in_time = Bay(configuration().bay)
    before = [e for e in listed if e.at_ns < T0 + 60 * NS]
    fold(in_time, before)
    say(in_time, 60, action="start-run")
    fold(in_time, listed[len(before) :])
    say(in_time, 299, action="end-run")
    fold(late, listed)
    say(late, 298, action="start-run", time="2026-03-02T06:01:00Z")
    say(late, 299, action="end-run")
    tallies = [b.run_tally(b.books.runs["run-1"]) for b in (in_time, late)]
    assert tallies[0] == tallies[1]
    assert tallies[0]["outlets"]["tailings"]["delivered_kg"] > 1


def test_a_correction_changes_the_tally_by_what_it_says() -> None:
    bay = Bay(configuration().bay)
    fold(bay, entries(foundry_trace()))
    run = bay.books.runs["run-1"]
    changes = [r for r in bay.recognised if r["what"] == "container-changed"]
    changed = next(r for r in changes if r["channel"] == "tailings")
    bay.apply(Tick(T0 + 705 * NS))  # the last seconds of the run have settled
    before = bay.run_tally(run)["outlets"]["tailings"]["delivered_kg"]
    say(bay, 705, action="correct", recognised=changed["id"], credit="250 g")
    after = bay.run_tally(run)["outlets"]["tailings"]["delivered_kg"]
    assert after - before == pytest.approx(0.25 - changed["credit_kg"], abs=1e-5)


@pytest.mark.parametrize("said", ["nonsense", "concentrate#999", "nowhere#1"])
def test_a_correction_of_nothing_is_refused(bay: Bay, said: str) -> None:
    found = say(bay, 0, action="correct", recognised=said, was="nothing")
    assert [f.kind for f in found] == ["refused"]


def test_a_container_cannot_be_set_where_there_is_no_scale() -> None:
    bay = Bay(configuration(TWO).bay)
    found = say(bay, 0, action="container-set", station="south", outlet="nowhere")
    assert "there is middlings, fines" in found[0].data["reason"]


def test_an_unknown_alarm_cannot_be_acknowledged(bay: Bay) -> None:
    found = say(bay, 0, action="acknowledge", alarm="table/outlet-slow/concentrat")
    assert [f.kind for f in found] == ["refused"]
    assert 'did you mean "table/outlet-slow/concentrate"?' in found[0].data["reason"]


def test_a_failing_journal_is_an_alarm_of_its_own(bay: Bay) -> None:
    found = bay.apply(Circumstance(T0, "journal", "", {"state": "not-recorded", "message": "disk full"}))
    assert [(f.data["kind"], f.data["state"]) for f in found] == [("record-at-risk", "raised")]
    found = bay.apply(Circumstance(T0 + NS, "journal", "", {"state": "recorded"}))
    assert [(f.data["kind"], f.data["state"]) for f in found] == [("record-at-risk", "cleared")]


def test_the_remedy_of_a_failing_journal_is_that_of_its_reason(bay: Bay) -> None:
    """As the journal told it; where it told none, the usual one."""
    trouble = {"state": "not-recorded", "message": "its folder is not there"}
    found = bay.apply(Circumstance(T0, "journal", "", trouble | {"do": "put the folder back"}))
    assert (found[0].data["what"], found[0].data["do"]) == ("its folder is not there", "put the folder back")
    bay.apply(Circumstance(T0 + NS, "journal", "", {"state": "recorded"}))
    found = bay.apply(Circumstance(T0 + 2 * NS, "journal", "", trouble))
    assert "disk space" in found[0].data["do"]


def test_a_journal_set_aside_is_shown_until_somebody_has_saved_what_it_holds(bay: Bay) -> None:
    bay.apply(Circumstance(T0, "journal", "", {"state": "set-aside", "message": "x"}))
    assert [str(alarm.state) for alarm in bay.alarms.active()] == ["returned-unacknowledged"]
    say(bay, 1, action="acknowledge", alarm="all")
    assert [str(alarm.state) for alarm in bay.alarms.active()] == ["latched"]
    say(bay, 2, action="reset-alarm", alarm="journal-set-aside/journal")
    assert bay.alarms.active() == []


def test_readings_of_unknown_channels_are_counted_and_change_nothing(bay: Bay) -> None:
    bay.apply(Reading(T0, "elsewhere", 1, 0, "kg", seq=1))
    assert bay.unknown_channels == {"elsewhere": 1}


def test_a_boot_after_a_long_pause_raises_no_alarm_about_the_pause() -> None:
    bay = Bay(configuration().bay)
    listed = entries(foundry_trace(duration_s=300.0))[:-1]
    fold(bay, listed)
    found = bay.apply(Circumstance(T0 + 2000 * NS, "boot", "b", {"boot": "b", "offset_ns": 0}))
    later = [e._replace(at_ns=e.at_ns + 2000 * NS) for e in listed if type(e) is Reading][:200]
    found += fold(bay, later)
    silent = [f for f in found if f.kind == "alarm" and f.data["kind"] == "instrument-silent"]
    assert silent == []


def test_one_tick_is_made_for_each_whole_second_passed(bay: Bay) -> None:
    ticked: list[int] = []
    original = bay._tick

    def watch(now_s: int, found: list[Finding]) -> None:
        ticked.append(now_s - T0_S)
        original(now_s, found)

    bay._tick = watch  # type: ignore[method-assign]
    for at_s in (0.0, 0.4, 1.2, 4.9, 5.0):
        bay.apply(Tick(T0 + round(at_s * NS)))
    assert ticked == [1, 2, 3, 4, 5]


def test_a_credit_beyond_the_scale_is_refused() -> None:
    bay = Bay(configuration(TWO.replace("[stations.north]", CAPACITY + "[stations.north]")).bay)
    found = say(bay, 0, action="correct", recognised="concentrate#1", credit="5000 kg")
    assert "more than the scale can weigh (30 kg)" in found[0].data["reason"]


def test_a_number_far_beyond_the_capacity_is_no_weight() -> None:
    """A fault of the line moves neither the level nor the tally."""
    bay = Bay(configuration(TWO.replace("[stations.north]", CAPACITY + "[stations.north]")).bay)
    for second in range(60):
        for channel in ("feed", "concentrate", "tailings", "middlings", "fines"):
            number = -99_999_999 if channel == "concentrate" and 30 <= second < 40 else 5000
            bay.apply(Reading(T0 + second * NS, channel, number, -3, "kg", True))
        if second == 35:
            assert bay.channels["concentrate"].now.status == "beyond-capacity"
    assert bay.channels["concentrate"].now.track.view.level_mg == pytest.approx(5e6)
    assert not any(r["channel"] == "concentrate" for r in bay.recognised)


def follower(at_s: float, name: str, state: str, **data: str) -> Circumstance:
    return Circumstance(T0 + round(at_s * NS), "follower", name, {"state": state, **data})


def test_a_store_that_does_not_take_what_is_sent_is_an_alarm(bay: Bay) -> None:
    """Known from the start, so that it can be shelved; raised with what is wrong; over when it works."""
    assert bay.apply(follower(0, "store", "expected")) == []
    assert "store-behind/store" in [alarm.id for alarm in bay.alarms.all()]
    told = {"message": "the store answers 401", "do": "check the token"}
    (found,) = bay.apply(follower(1, "store", "paused", **told))
    assert (found.data["id"], found.data["state"]) == ("store-behind/store", "raised")
    assert (found.data["what"], found.data["do"]) == ("the store answers 401", "check the token")
    assert bay.apply(follower(2, "store", "behind", **told)) == []
    (found,) = bay.apply(follower(3, "store", "well"))
    assert found.data["state"] == "cleared"


def test_a_new_start_ends_the_alarm_of_a_follower_of_the_last(bay: Bay) -> None:
    """The follower says anew what is wrong; if nothing is, the alarm must not stand for ever."""
    bay.apply(follower(0, "broker", "expected"))
    bay.apply(follower(1, "broker", "behind", message="no broker", do="start it"))
    (found,) = bay.apply(follower(2, "broker", "expected"))
    assert (found.data["id"], found.data["state"]) == ("broker-behind/broker", "cleared")


def test_rates_are_told_every_ten_seconds_while_a_run_is_open() -> None:
    """Of what is weighed, in kg/h with an uncertainty; none before the run and none after it."""
    bay = Bay(configuration().bay)
    found = fold(bay, entries(foundry_trace()))
    rates = [f for f in found if f.kind == "rates"]
    times = [f.at_ns // NS for f in rates]
    assert len(times) > 10
    assert all(second % 10 == 0 for second in times)
    assert [b - a for a, b in pairwise(times)] == [10] * (len(times) - 1)
    (opened,) = (f.at_ns for f in found if f.kind == "run-opened")
    assert rates[0].at_ns >= opened
    late = rates[-1].data
    assert late["run"] == "run-1"
    assert set(late["outlets"]) == {"concentrate", "middlings", "tailings", "fines"}
    assert 30 < late["feed"][0] < 60
    assert all(0 < rate[1] < 5 for rate in late["outlets"].values())
