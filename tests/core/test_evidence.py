"""Samples and their results, moistures and check weights: what the books make of them."""

from __future__ import annotations

from typing import Any

import pytest

from logger.core.actions import BODY
from logger.core.bay import Bay
from logger.core.books import Refused, Sample
from logger.core.books import book as book_module
from logger.journal.checkpoint import freeze, thaw
from tests.core.test_bookkeeping import Play
from tests.core.test_books import MIN, T0, Clerk

ASSAY = {"bronze": "80 %"}


@pytest.fixture
def clerk() -> Clerk:
    """A lot and a run of it that has ended."""
    clerk = Clerk()
    clerk.say(0, "open-lot", lot="L1")
    clerk.say(1, "start-run", lot="L1")
    clerk.say(10, "end-run")
    return clerk


def take(clerk: Clerk, minute: float, outlet: str, sample: str) -> int:
    """A sample is taken at an outlet, as the fold enters it."""
    clerk.seq += 1
    clerk.books.add_sample(
        Sample(T0 + round(minute * MIN), "table", outlet, sample, 0.1, 0.001, entry=clerk.seq)
    )
    return clerk.seq


def results(clerk: Clerk, run: str = "run-1") -> dict[str, list[Any]]:
    return {each["sample"]: [r["entry"] for r in each["results"]] for each in clerk.run(run)["samples"]}


# ---------------------------------------------------------------------- samples


def test_a_sample_of_feed_belongs_to_its_lot(clerk: Clerk) -> None:
    clerk.say(2, "register-sample", sample="F1", lot="L1", mass="1.2 kg")
    lot = clerk.books.lot_json(clerk.books.lots["L1"])
    assert [(s["sample"], s["mass_kg"], s["outlet"]) for s in lot["samples"]] == [("F1", 1.2, None)]
    assert clerk.run("run-1")["samples"] == []


def test_a_sample_registered_later_belongs_to_the_run_it_names(clerk: Clerk) -> None:
    clerk.say(20, "start-run")
    told = clerk.say(21, "register-sample", sample="T1", run="run-1", outlet="tailings")
    assert told[0].data["of"] == "tailings of run-1"
    assert results(clerk) == {"T1": []}
    assert results(clerk, "run-2") == {}


def test_a_material_has_several_samples(clerk: Clerk) -> None:
    for sample in ("T1", "T2"):
        clerk.say(11, "register-sample", sample=sample, outlet="tailings")
    assert results(clerk) == {"T1": [], "T2": []}


def test_a_sample_of_what_there_is_not_is_refused(clerk: Clerk) -> None:
    clerk.refused('no lot "L9"; there is L1', 11, "register-sample", sample="F1", lot="L9")
    clerk.refused('no run "run-9"; there is run-1', 11, "register-sample", sample="F1", run="run-9")
    clerk.refused(
        'no outlet "slimes" on table; there is concentrate',
        11,
        "register-sample",
        sample="1",
        outlet="slimes",
    )


def test_a_number_is_used_once_for_a_material(clerk: Clerk) -> None:
    clerk.say(11, "register-sample", sample="T1", outlet="tailings")
    clerk.refused(
        "of tailings of run-1 already; number", 12, "register-sample", sample="T1", outlet="tailings"
    )
    take(clerk, 9, "concentrate", "C1")
    clerk.refused("of concentrate of run-1 already", 12, "register-sample", sample="C1", outlet="concentrate")
    with pytest.raises(Refused, match="number it otherwise"):
        take(clerk, 9, "tailings", "T1")


def test_a_sample_taken_after_the_end_belongs_to_the_run_before(clerk: Clerk) -> None:
    take(clerk, 12, "concentrate", "C1")
    clerk.say(20, "start-run")
    take(clerk, 22, "concentrate", "C2")
    assert (results(clerk), results(clerk, "run-2")) == ({"C1": []}, {"C2": []})


def test_a_sample_with_a_result_is_not_forgotten(clerk: Clerk, monkeypatch: pytest.MonkeyPatch) -> None:
    """Beyond the most that are kept the oldest without a result goes."""
    monkeypatch.setattr(book_module, "SAMPLES_KEPT", 3)
    for number in (1, 2, 3):
        take(clerk, number, "concentrate", f"C{number}")
    clerk.say(11, "sample-result", sample="C1", assay=ASSAY)
    take(clerk, 12, "concentrate", "C4")
    assert list(results(clerk)) == ["C1", "C3", "C4"]


# ---------------------------------------------------------------------- results


def test_a_result_finds_its_run_by_the_number_weeks_later(clerk: Clerk) -> None:
    take(clerk, 5, "concentrate", "C1")
    clerk.say(20, "start-run")
    told = clerk.say(30_000, "sample-result", sample="C1", assay=ASSAY, reference="26-1187")
    assert (told[0].kind, told[0].data["of"]) == ("sample-result", "concentrate of run-1")
    (sample,) = clerk.run("run-1")["samples"]
    (found,) = sample["results"]
    assert (found["assay"], found["basis"], found["reference"]) == ({"bronze": 0.8}, "dry", "26-1187")


def test_two_results_of_a_sample_stand_beside_each_other(clerk: Clerk) -> None:
    take(clerk, 5, "concentrate", "C1")
    clerk.say(20, "sample-result", sample="C1", assay=ASSAY)
    clerk.say(21, "sample-result", sample="C1", sorted={"bronze": "40 g", "slag": "9 g"})
    assert results(clerk) == {"C1": [5, 6]}


def test_an_unknown_number_is_refused_with_what_is_known(clerk: Clerk) -> None:
    clerk.refused(
        'no sample "C9"; none is known yet; register', 20, "sample-result", sample="C9", assay=ASSAY
    )
    take(clerk, 5, "concentrate", "C1")
    take(clerk, 5, "tailings", "T1")
    clerk.refused(
        'no sample "C9"; known are T1, C1; register it first',
        20,
        *("sample-result",),
        sample="C9",
        assay=ASSAY,
    )


def test_an_ambiguous_number_is_refused_with_its_meanings(clerk: Clerk) -> None:
    take(clerk, 5, "concentrate", "1")
    take(clerk, 5, "tailings", "1")
    clerk.refused(
        'several samples are numbered "1": of concentrate of run-1; of tailings of run-1; say which',
        20,
        *("sample-result",),
        sample="1",
        assay=ASSAY,
    )
    clerk.say(20, "sample-result", sample="1", outlet="tailings", assay=ASSAY)
    assert [(s["outlet"], len(s["results"])) for s in clerk.run("run-1")["samples"]] == [
        ("concentrate", 0),
        ("tailings", 1),
    ]


def test_a_number_of_another_material_is_refused(clerk: Clerk) -> None:
    take(clerk, 5, "concentrate", "C1")
    clerk.refused(
        'sample "C1" is of concentrate of run-1, not of what was said with it',
        20,
        *("sample-result",),
        sample="C1",
        outlet="tailings",
        assay=ASSAY,
    )


def test_a_result_keeps_to_its_sample_when_another_is_numbered_alike(clerk: Clerk) -> None:
    """Else every correction of anything would be refused from then on."""
    take(clerk, 5, "concentrate", "1")
    clerk.say(11, "sample-result", sample="1", assay=ASSAY)
    take(clerk, 12, "tailings", "1")
    clerk.say(13, "amend", entry=1, change={"owner": "PO 1"})
    assert [(s["outlet"], len(s["results"])) for s in clerk.run("run-1")["samples"]] == [
        ("concentrate", 1),
        ("tailings", 0),
    ]


def test_a_sample_follows_its_run_when_the_run_is_corrected(clerk: Clerk) -> None:
    """A run that was forgotten takes the samples of its time, and their results, with it."""
    take(clerk, 13, "concentrate", "C1")
    clerk.say(20, "sample-result", sample="C1", run="run-1", assay=ASSAY)
    clerk.say(21, "start-run", at=12, until="2026-03-02T06:18:00Z", run="late")
    clerk.say(22, "amend", entry=1, change={"owner": "PO 1"})
    assert (results(clerk), results(clerk, "late")) == ({}, {"C1": [5]})


def test_a_result_is_amended_and_the_old_one_stays_visible(clerk: Clerk) -> None:
    take(clerk, 5, "concentrate", "C1")
    take(clerk, 5, "tailings", "T1")
    clerk.say(20, "sample-result", sample="C1", assay=ASSAY)
    clerk.say(21, "amend", entry=6, change={"sample": "T1", "assay": {"bronze": "2 %"}}, why="bags swapped")
    assert results(clerk) == {"C1": [], "T1": [6]}
    said = clerk.books.said_json()[0]
    assert (said["history"][0]["was"]["assay"], said["history"][0]["why"]) == (
        {"bronze": 0.8},
        "bags swapped",
    )


def test_a_result_is_withdrawn(clerk: Clerk) -> None:
    take(clerk, 5, "concentrate", "C1")
    clerk.say(20, "sample-result", sample="C1", assay=ASSAY)
    clerk.say(21, "withdraw", entry=5, why="of another customer")
    assert results(clerk) == {"C1": []}


def test_a_sample_that_has_results_is_not_withdrawn(clerk: Clerk) -> None:
    clerk.say(11, "register-sample", sample="T1", outlet="tailings")
    clerk.say(20, "sample-result", sample="T1", assay=ASSAY)
    clerk.refused(r"entry 5 \(sample-result\): its sample .* is no more", 21, "withdraw", entry=4)


# ---------------------------------------------------------------------- what makes no sense by itself


@pytest.mark.parametrize(
    ("said", "why"),
    [
        ({"sample": "1"}, "exactly one of"),
        ({"sample": "1", "assay": ASSAY, "counted": {"bronze": 1}}, "exactly one of"),
        ({"sample": "1", "assay": {}}, '"assay" names no component'),
        ({"sample": "1", "counted": {"bronze": 0}}, "nothing was found at all"),
        ({"sample": "1", "assay": {"a": "70 %", "b": "31 %"}}, "sum to 101.0%, more than everything"),
        ({"sample": "1", "counted": {"a": 1}, "u": "1 %"}, '"u" goes with an assay'),
        ({"sample": "1", "assay": ASSAY, "lot": "L", "outlet": "x"}, "give one of them"),
    ],
)
def test_a_result_that_contradicts_itself_is_no_action(said: dict[str, Any], why: str) -> None:
    with pytest.raises(ValueError, match=why):
        BODY.validate_python({"action": "sample-result"} | said)


def test_shares_may_sum_to_a_little_more_than_one_within_their_uncertainty() -> None:
    assay = {"a": "70 %", "b": "31 %"}
    BODY.validate_python({"action": "sample-result", "sample": "1", "assay": assay, "u": "0.5 %"})


@pytest.mark.parametrize(
    ("said", "why"),
    [
        ({"share": "6 %"}, "say what it is of"),
        ({"lot": "L"}, 'give "share", or weights'),
        ({"lot": "L", "share": "6 %", "pan": 1}, 'give "share", or weights'),
        ({"lot": "L", "share": "100 %"}, "leaves no solids; is it on a dry basis"),
        ({"lot": "L", "pan": "weigh", "pan_wet": "weigh", "scale": "s"}, "one weight can be taken at a time"),
        ({"lot": "L", "pan": "weigh"}, '"weigh" needs the scale'),
        ({"lot": "L", "pan": 1, "pan_wet": 2, "u": 0.1}, "of weights both follow"),
        ({"lot": "L", "pan": 1, "pan_dry": 1}, "pan < dried <= wet"),
        ({"lot": "L", "pan": 2, "pan_wet": 1}, "pan < dried <= wet"),
        ({"lot": "L", "pan_wet": 2, "pan_dry": 2.1}, "with dried 2.1 kg, with wet 2 kg: it must hold"),
    ],
)
def test_a_moisture_that_contradicts_itself_is_no_action(said: dict[str, Any], why: str) -> None:
    with pytest.raises(ValueError, match=why):
        BODY.validate_python({"action": "moisture"} | said)


# ---------------------------------------------------------------------- moistures


def test_a_moisture_is_of_a_sample_a_feed_or_a_product(clerk: Clerk) -> None:
    take(clerk, 5, "concentrate", "C1")
    clerk.say(20, "moisture", sample="C1", share="5 %", u="0.2 %")
    clerk.say(20, "moisture", lot="L1", share="6 %")
    clerk.say(20, "moisture", outlet="tailings", share="12 %", basis="dry")
    run = clerk.run("run-1")
    (sample,) = run["samples"]
    assert [(m["share"], m["u"]) for m in sample["moistures"]] == [(0.05, 0.002)]
    assert [(m["outlet"], m["share"], m["basis"]) for m in run["moistures"]] == [("tailings", 0.12, "dry")]
    assert [m["share"] for m in clerk.books.lot_json(clerk.books.lots["L1"])["moistures"]] == [0.06]


def test_the_weights_of_a_pan_are_joined(clerk: Clerk) -> None:
    clerk.say(20, "moisture", lot="L1", pan="210 g")
    clerk.say(21, "moisture", lot="L1", pan_wet="954 g")
    clerk.say(22, "moisture", lot="L1", container="other", pan="100 g")
    clerk.say(5000, "moisture", lot="L1", pan_dry="905 g")
    told = clerk.books.lot_json(clerk.books.lots["L1"])["moistures"]
    assert [(m["container"], m["pan_kg"], m["pan_wet_kg"], m["pan_dry_kg"]) for m in told] == [
        ("pan", 0.21, 0.954, 0.905),
        ("other", 0.1, None, None),
    ]


def test_weights_of_a_pan_that_contradict_are_refused(clerk: Clerk) -> None:
    clerk.say(20, "moisture", lot="L1", pan="210 g", pan_wet="954 g")
    clerk.refused("pan: .* pan < dried <= wet", 21, "moisture", lot="L1", pan_dry="955 g")


def test_a_pan_is_weighed_by_the_program() -> None:
    play = Play()
    play.say("open-lot", lot="L1")
    play.say("moisture", lot="L1", pan="weigh", scale="bench")
    play.bench_g = 210.0
    play.run(5)
    (told,) = play.bay.books.lot_json(play.bay.books.lots["L1"])["moistures"]
    assert (told["pan_kg"], told["scale"]) == (0.21, "bench")


# ---------------------------------------------------------------------- check weights


def test_a_check_weight_is_read_by_the_program() -> None:
    """Whatever else stands on the scale meanwhile is not taken for it."""
    play = Play()
    play.bench_g = 1_200.0
    play.say("check-weight", scale="bench", nominal="5 kg", u="0.1 g")
    play.run(8)
    assert play.bay.books.evidence.checks_of("bench") == []
    play.bench_g = 5_010.0
    play.run(5)
    (check,) = play.bay.books.evidence.checks_of("bench")
    told = [f.data for f in play.found if f.kind == "check-weight"]
    assert told == [check.to_json()]
    assert (check.nominal_kg, check.shown_kg, check.to_json()["difference_kg"]) == (5.0, 5.01, 0.01)
    assert check.at_ns > T0 + 8 * 10**9  # when it was read, not when it was asked for
    assert play.bay.books.pending == []


def test_a_check_weight_is_read_on_top_of_a_container() -> None:
    """The difference of two readings, each rounded: u = d / sqrt(6); the run's tally does not take it in."""
    play = Play()
    play.run(20)
    play.say("start-run")
    play.say("check-weight", scale="tailings", nominal="5 kg")
    play.run(5)
    play.tailings_g += 5_000.0
    play.run(5)
    play.tailings_g -= 5_000.0
    play.run(60)
    (check,) = play.bay.books.evidence.checks_of("tailings")
    assert check.shown_kg == 5.0
    assert check.u_shown_kg == pytest.approx(0.005 / 6**0.5)
    assert play.tally()["outlets"]["tailings"]["delivered_kg"] == pytest.approx(0.0, abs=0.005)


def test_a_container_that_is_changed_meanwhile_is_no_check_weight() -> None:
    play = Play()
    play.bench_g = 1_200.0
    play.say("check-weight", scale="bench", nominal="5 kg")
    for grams in (900.0, 3_400.0, 8_450.0):  # the last is 5.05 kg more than the one before
        play.run(6)
        play.bench_g = grams
    play.run(6)
    (check,) = play.bay.books.evidence.checks_of("bench")
    assert check.shown_kg == pytest.approx(5.05)


def test_what_stood_there_at_an_earlier_check_is_forgotten() -> None:
    play = Play()
    play.bench_g = 1_200.0
    play.say("check-weight", scale="bench", nominal="5 kg")
    play.run(6)
    play.say("cancel-weighing", scale="bench")
    play.bench_g = 6_200.0
    play.run(6)
    play.say("check-weight", scale="bench", nominal="5 kg")
    play.run(6)
    assert play.bay.books.evidence.checks_of("bench") == []


def test_a_check_weight_that_never_comes_lapses() -> None:
    play = Play()
    play.say("check-weight", scale="bench", nominal="5 kg")
    play.run(605)
    assert "weighing-lapsed" in play.kinds()
    assert play.bay.books.evidence.checks_of("bench") == []


def test_a_check_typed_in_is_told_at_once() -> None:
    play = Play()
    (told,) = play.say("check-weight", scale="bench", nominal="5 kg", shown="4.99 kg")
    assert (told.kind, told.subject, told.data["difference_kg"]) == ("check-weight", "bench", -0.01)
    assert told.data["u_shown_kg"] is None


def test_a_scale_that_is_none_is_refused() -> None:
    play = Play()
    (told,) = play.say("check-weight", scale="kitchen", nominal="5 kg")
    assert (told.kind, told.data["reason"]) == (
        "refused",
        'there is no scale "kitchen"; there is feed, tailings, bench',
    )


def test_checks_stand_in_order_of_time_and_the_oldest_are_forgotten(
    clerk: Clerk, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("logger.core.books.evidence.CHECKS_KEPT", 2)
    for minute, shown in ((20, 5.0), (30, 5.1), (25, 5.2)):
        clerk.say(40, "check-weight", at=minute, scale="bench", nominal=5, shown=shown)
    assert [check.shown_kg for check in clerk.books.evidence.checks_of("bench")] == [5.2, 5.1]


# ---------------------------------------------------------------------- a restart


def test_a_checkpoint_holds_what_was_said_for_the_weigh_up() -> None:
    """A bay thawed in the midst of a weighing goes on to the same findings."""
    play = Play()
    play.say("start-run")
    play.run(20)
    play.say("register-sample", sample="T1", outlet="tailings")
    play.say("sample-result", sample="T1", assay=ASSAY)
    play.say("moisture", sample="T1", pan="weigh", scale="bench")
    play.say("check-weight", scale="bench", nominal="5 kg")
    thawed: Bay = thaw(freeze(play.bay))
    other = Play()
    other.bay, other.seq, other.second = thawed, play.seq, play.second
    other.feed_g, other.tailings_g, other.arriving = play.feed_g, play.tailings_g, list(play.arriving)
    seen = len(play.found)
    for each in (play, other):
        each.bench_g = 210.0
        each.run(6)
        each.bench_g = 5_005.0
        each.run(6)
        each.say("sample-result", sample="T1", counted={"bronze": 3})
    assert play.found[seen:] == other.found
    assert play.bay.books.run_json(play.bay.books.runs["run-1"]) == thawed.books.run_json(
        thawed.books.runs["run-1"]
    )
    assert [f.kind for f in other.found if f.kind == "check-weight"] == ["check-weight"]
