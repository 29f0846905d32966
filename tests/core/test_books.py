"""Lots, runs, what is refused, and what is corrected afterwards."""

from __future__ import annotations

from typing import Any

import pytest

from logger.core.actions import BODY
from logger.core.books import Books, Change, Refused, Sample
from logger.core.entries import Action
from logger.core.walltime import rfc3339

T0 = 1_772_431_200 * 10**9
MIN = 60 * 10**9
OUTLETS = ("concentrate", "tailings")


class Clerk:
    """Says things to books, numbering them."""

    def __init__(self, *stations: str) -> None:
        self.books = Books(dict.fromkeys(stations or ("table",), OUTLETS))
        self.seq = 0

    def say(self, minute: float, action: str, *, at: float | None = None, **fields: Any) -> list[Change]:
        """Say an action at a minute; ``at``: the minute it took effect."""
        self.seq += 1
        body = {"action": action} | fields
        if at is not None:
            body["time"] = rfc3339(T0 + round(at * MIN))
        entry = Action(
            T0 + round(minute * MIN), BODY.validate_python(body), fields.get("id", ""), seq=self.seq
        )
        return self.books.take(entry)

    def refused(self, why: str, minute: float, action: str, **fields: Any) -> None:
        before = self.state()
        with pytest.raises(Refused, match=why):
            self.say(minute, action, **fields)
        assert self.state() == before

    def state(self) -> Any:
        books = self.books
        runs = [books.run_json(run) for run in books.runs.values()]
        return [lot.to_json() for lot in books.lots.values()], runs, books.said_json(), list(books.pending)

    def run(self, name: str) -> dict[str, Any]:
        return self.books.run_json(self.books.runs[name])


@pytest.fixture
def clerk() -> Clerk:
    return Clerk()


# ---------------------------------------------------------------------- lots


def test_a_lot_knows_its_net(clerk: Clerk) -> None:
    clerk.say(0, "open-lot", lot="L1", gross="412.5 kg", tare="14.2 kg")
    assert clerk.books.lots["L1"].net_kg == pytest.approx(398.3)


def test_a_lot_is_booked_in_once(clerk: Clerk) -> None:
    clerk.say(0, "open-lot", lot="L1")
    clerk.refused("booked in already", 0, "open-lot", lot="L1")


def test_a_tare_without_gross_is_refused(clerk: Clerk) -> None:
    clerk.refused("no gross", 0, "open-lot", lot="L1", tare="1 kg")


def test_the_net_of_several_containers_waits_for_the_last_weight(clerk: Clerk) -> None:
    containers = [
        {"container": "drum 1", "gross": "210 kg", "tare": "12 kg"},
        {"container": "drum 2", "gross": "190 kg"},
    ]
    clerk.say(0, "open-lot", lot="L1", containers=containers)
    assert clerk.books.lots["L1"].net_kg is None
    clerk.say(1, "weigh-lot", lot="L1", container="drum 2", tare="11.5 kg")
    assert clerk.books.lots["L1"].net_kg == pytest.approx(376.5)


def test_a_tare_above_the_gross_said_before_is_refused(clerk: Clerk) -> None:
    clerk.say(0, "open-lot", lot="L1")
    clerk.say(1, "weigh-lot", lot="L1", container="drum", gross="10 kg")
    clerk.refused("tare 11 kg is above gross 10 kg", 2, "weigh-lot", lot="L1", container="drum", tare="11 kg")


def test_a_weight_is_waited_for_until_the_scale_has_shown_it(clerk: Clerk) -> None:
    clerk.say(0, "open-lot", lot="L1")
    told = clerk.say(1, "weigh-lot", lot="L1", container="drum", gross="weigh", scale="bench")
    assert [(c.kind, c.subject) for c in told] == [("weighing", "bench")]
    assert [p.what for p in clerk.books.pending] == ["gross"]
    clerk.books.fact(2, {"fact": "weighed", "container": "drum", "what": "gross", "kg": 12.5, "u_kg": 0.003})
    assert clerk.books.pending == []
    assert clerk.books.lots["L1"].containers["drum"].gross_kg == 12.5


def test_a_weighed_tare_above_the_gross_is_refused_and_waited_for_still(clerk: Clerk) -> None:
    clerk.say(0, "open-lot", lot="L1")
    clerk.say(1, "weigh-lot", lot="L1", container="drum", gross="10 kg", tare="weigh", scale="bench")
    fact = {"fact": "weighed", "container": "drum", "what": "tare", "kg": 12.5, "u_kg": 0.003}
    with pytest.raises(Refused, match="above gross"):
        clerk.books.fact(2, fact)
    assert [p.what for p in clerk.books.pending] == ["tare"]


def test_a_weighing_can_be_cancelled(clerk: Clerk) -> None:
    clerk.say(0, "open-lot", lot="L1")
    clerk.say(1, "weigh-lot", lot="L1", container="drum", gross="weigh", scale="bench")
    clerk.refused("nothing is waited for on scale other", 2, "cancel-weighing", scale="other")
    clerk.say(2, "cancel-weighing", scale="bench")
    assert clerk.books.pending == []


# ---------------------------------------------------------------------- runs


def test_a_run_without_a_lot_is_a_trial(clerk: Clerk) -> None:
    clerk.say(0, "start-run")
    run = clerk.books.runs["run-1"]
    assert (run.run, run.lot, run.station) == ("run-1", None, "table")


def test_a_second_run_waits_for_the_end_of_the_first(clerk: Clerk) -> None:
    clerk.say(0, "start-run")
    clerk.refused("still open", 1, "start-run")


def test_an_unknown_lot_is_refused(clerk: Clerk) -> None:
    clerk.refused("open it first", 0, "start-run", lot="L9")


def test_a_start_may_be_said_afterwards_but_not_inside_the_run_before(clerk: Clerk) -> None:
    clerk.say(0, "start-run")
    clerk.say(10, "end-run")
    clerk.refused("start after that", 20, "start-run", at=5)
    clerk.say(20, "start-run", at=12)
    assert clerk.books.runs["run-2"].start_ns == T0 + 12 * MIN


def test_a_whole_run_that_was_forgotten_can_be_said_between_others(clerk: Clerk) -> None:
    clerk.say(0, "start-run")
    clerk.say(10, "end-run")
    clerk.say(40, "start-run")
    until = rfc3339(T0 + 30 * MIN)
    clerk.refused("still open", 50, "start-run", at=15, run="late")
    clerk.refused("still open", 50, "start-run", at=15, run="late", until=rfc3339(T0 + 45 * MIN))
    clerk.refused("start after that", 50, "start-run", at=5, run="late", until=until)
    clerk.say(50, "start-run", at=15, run="late", until=until)
    late = clerk.books.runs["late"]
    assert (late.start_ns, late.end_ns) == (T0 + 15 * MIN, T0 + 30 * MIN)
    assert clerk.books.stations["table"].open_run is clerk.books.runs["run-2"]


def test_a_start_in_the_future_is_refused(clerk: Clerk) -> None:
    clerk.refused("in the future", 0, "start-run", at=10)


def test_an_end_before_the_start_is_refused(clerk: Clerk) -> None:
    clerk.say(0, "start-run")
    clerk.refused("can't end before", 1, "end-run", at=-1)


def test_an_end_without_a_run_is_refused(clerk: Clerk) -> None:
    clerk.refused("no run is open", 0, "end-run")


def test_the_station_must_be_said_where_there_are_two() -> None:
    clerk = Clerk("north", "south")
    clerk.refused("say which station", 0, "start-run")
    clerk.refused("there is north, south", 0, "start-run", station="east")


def test_a_lot_may_cross_two_stations_and_a_product_be_the_feed_of_the_next() -> None:
    clerk = Clerk("north", "south")
    clerk.say(0, "open-lot", lot="L1")
    clerk.say(1, "start-run", station="north", lot="L1", run="first")
    clerk.refused('no outlet "slimes"', 2, "start-run", station="south", feed_from="first/slimes")
    clerk.say(2, "start-run", station="south", lot="L1", run="second", feed_from="first/tailings")
    assert clerk.run("second")["feed_from"] == "first/tailings"
    assert {run.lot for run in clerk.books.runs.values()} == {"L1"}


def test_a_run_that_waits_for_an_empty_deck_ends_when_it_is(clerk: Clerk) -> None:
    clerk.say(0, "start-run")
    clerk.say(10, "end-run", hold_up="wait")
    run = clerk.books.runs["run-1"]
    assert run.emptying
    clerk.refused("still open", 11, "start-run")
    clerk.books.fact(2, {"fact": "emptied", "at_ns": T0 + 12 * MIN, "how": "emptied"})
    run = clerk.books.runs["run-1"]
    assert (run.end_ns, run.feed_ended_ns, run.hold_up_how) == (T0 + 12 * MIN, T0 + 10 * MIN, "emptied")


def test_a_run_that_waits_can_be_ended_at_once(clerk: Clerk) -> None:
    clerk.say(0, "start-run")
    clerk.say(10, "end-run", hold_up="wait")
    clerk.say(11, "end-run", hold_up="0.3 kg")
    run = clerk.books.runs["run-1"]
    assert (run.end_ns, run.hold_up_kg, run.hold_up_how) == (T0 + 11 * MIN, 0.3, "declared")


def test_the_feed_is_paused_and_goes_on(clerk: Clerk) -> None:
    clerk.refused("is not paused", 0, "resume-feed")
    clerk.say(0, "start-run")
    clerk.say(5, "pause-feed", why="hopper bridge")
    clerk.refused("is paused since", 6, "pause-feed")
    clerk.say(7, "resume-feed")
    expected = {"from": rfc3339(T0 + 5 * MIN), "to": rfc3339(T0 + 7 * MIN), "why": "hopper bridge"}
    assert clerk.run("run-1")["pauses"] == [expected]


def test_settings_go_with_the_run_and_into_the_next(clerk: Clerk) -> None:
    clerk.say(0, "settings", values={"tilt": "4°"})
    clerk.say(0, "start-run")
    clerk.say(1, "settings", values={"stroke": "15 mm"})
    told = [(each["time"], each["values"]) for each in clerk.run("run-1")["settings"]]
    assert told == [(rfc3339(T0), {"tilt": "4°"}), (rfc3339(T0 + MIN), {"stroke": "15 mm"})]
    assert clerk.books.stations["table"].settings == {"tilt": "4°", "stroke": "15 mm"}


def test_settings_said_late_go_to_the_run_of_their_time(clerk: Clerk) -> None:
    clerk.say(0, "start-run")
    clerk.say(10, "end-run")
    clerk.say(12, "start-run")
    clerk.say(13, "settings", at=5, values={"tilt": "4°"})
    assert len(clerk.run("run-1")["settings"]) == 1
    assert clerk.run("run-2")["settings"] == [{"time": rfc3339(T0 + 12 * MIN), "values": {"tilt": "4°"}}]


def test_a_note_goes_to_the_run_of_its_time(clerk: Clerk) -> None:
    clerk.say(0, "note", text="before")
    clerk.say(1, "start-run")
    clerk.say(2, "note", text="during")
    assert [note["text"] for note in clerk.run("run-1")["notes"]] == ["during"]


def test_a_mark_is_worded_later(clerk: Clerk) -> None:
    clerk.say(0, "start-run")
    told = clerk.say(3, "mark")
    assert told == [Change("marked", "mark-1", {"mark": "mark-1"})]
    clerk.refused('no mark "mark-9"', 4, "word-mark", mark="mark-9", text="x")
    clerk.say(9, "word-mark", mark="mark-1", text="hose slipped")
    assert [(m["mark"], m["text"]) for m in clerk.run("run-1")["marks"]] == [("mark-1", "hose slipped")]


def test_products_weighed_by_hand_belong_to_the_last_run(clerk: Clerk) -> None:
    clerk.refused("start one first", 0, "weigh-product", outlet="tailings", container="t1", gross="9 kg")
    clerk.say(0, "start-run")
    clerk.say(10, "end-run")
    clerk.refused('no outlet "slimes"', 11, "weigh-product", outlet="slimes", container="t1", gross="9 kg")
    clerk.say(11, "weigh-product", outlet="tailings", container="t1", gross="9 kg", tare="1 kg")
    assert [c["net_kg"] for c in clerk.run("run-1")["products"]["tailings"]] == [8.0]


def test_a_sample_has_a_name_of_its_own(clerk: Clerk) -> None:
    clerk.say(0, "start-run")
    clerk.books.add_sample(Sample(T0 + MIN, "table", "tailings", "S1", None, None))
    clerk.books.add_sample(Sample(T0 + MIN, "table", "tailings", "S1", 0.2, 0.001))
    with pytest.raises(Refused, match="number it otherwise"):
        clerk.books.add_sample(Sample(T0 + MIN, "table", "tailings", "S1", 0.3, 0.001))
    assert [s["mass_kg"] for s in clerk.run("run-1")["samples"]] == [0.2]


# ---------------------------------------------------------------------- correcting what was said


def test_an_amended_start_moves_the_run_and_keeps_the_old_words(clerk: Clerk) -> None:
    clerk.say(0, "open-lot", lot="L1")
    clerk.say(5, "start-run")
    told = clerk.say(9, "amend", entry=2, change={"time": rfc3339(T0 + 3 * MIN), "lot": "L1"}, why="late")
    run = clerk.books.runs["run-1"]
    assert (run.start_ns, run.lot) == (T0 + 3 * MIN, "L1")
    assert told[0].kind == "amended"
    said = clerk.books.said_json()[0]
    assert (said["state"], said["history"][0]["why"]) == ("amended", "late")
    assert "lot" not in said["history"][0]["was"]


def test_null_takes_a_field_out(clerk: Clerk) -> None:
    clerk.say(0, "open-lot", lot="L1")
    clerk.say(1, "start-run", lot="L1")
    clerk.say(2, "amend", entry=2, change={"lot": None})
    assert clerk.books.runs["run-1"].lot is None


def test_an_amendment_that_contradicts_the_rest_is_refused_with_what_it_hits(clerk: Clerk) -> None:
    clerk.say(0, "open-lot", lot="L1")
    clerk.say(1, "start-run", lot="L1")
    clerk.say(9, "end-run")
    clerk.refused(r"entry 2 \(start-run\): there is no lot", 10, "amend", entry=1, change={"lot": "L2"})
    clerk.refused(
        r"entry 3 \(end-run\): .* can't end before", 10, "amend", entry=3, change={"time": rfc3339(T0)}
    )
    clerk.refused(r"entry 2 \(start-run\): there is no lot", 10, "withdraw", entry=1)


def test_an_amendment_that_makes_no_sense_by_itself_is_refused(clerk: Clerk) -> None:
    clerk.say(0, "open-lot", lot="L1", gross="10 kg", tare="1 kg")
    clerk.refused("tare 11 kg is above gross", 1, "amend", entry=1, change={"tare": "11 kg"})
    clerk.refused('there is no "colour" here', 1, "amend", entry=1, change={"colour": "red"})
    clerk.refused("nothing that can be corrected", 1, "amend", entry=77, change={"lot": "x"})


def test_an_entry_is_named_by_number_id_or_the_name_it_was_given(clerk: Clerk) -> None:
    clerk.say(0, "start-run", id="k1")
    clerk.books.remember(Action(T0, BODY.validate_python({"action": "start-run"}), id="k1", seq=1))
    for number, named in enumerate(["k1", "run-1", "1", 1], 1):
        clerk.say(number, "amend", entry=named, change={"time": rfc3339(T0 + number * MIN)})
        assert clerk.books.runs["run-1"].start_ns == T0 + number * MIN


def test_a_withdrawn_end_opens_the_run_again(clerk: Clerk) -> None:
    clerk.say(0, "start-run")
    clerk.say(5, "end-run")
    clerk.say(6, "withdraw", entry=2, why="wrong key")
    assert clerk.books.stations["table"].open_run is clerk.books.runs["run-1"]
    clerk.refused("was withdrawn before", 7, "withdraw", entry=2)


def test_names_made_up_stay_the_same_after_a_correction(clerk: Clerk) -> None:
    for minute in (0, 10):
        clerk.say(minute, "start-run")
        clerk.say(minute + 5, "end-run")
    clerk.say(20, "withdraw", entry=4)
    clerk.say(21, "amend", entry=3, change={"time": rfc3339(T0 + 11 * MIN)})
    assert list(clerk.books.runs) == ["run-1", "run-2"]


def test_withdrawn_names_are_not_given_again(clerk: Clerk) -> None:
    clerk.say(0, "mark")
    clerk.say(1, "withdraw", entry=1)
    assert clerk.say(2, "mark")[0].subject == "mark-2"


def test_an_id_is_remembered(clerk: Clerk) -> None:
    note = BODY.validate_python({"action": "note", "text": "x"})
    clerk.books.remember(Action(T0, note, id="a1", seq=7))
    assert clerk.books.taken("a1", note) == 7
    assert clerk.books.taken("") is None
    with pytest.raises(Refused, match="used for another action"):
        clerk.books.taken("a1", BODY.validate_python({"action": "note", "text": "y"}))
