"""Weigh-ups of a bay that runs: from readings and words to documents."""

from __future__ import annotations

import pytest

from logger.balance.document import WeighUp
from logger.balance.faults import WeighUpError, check
from logger.balance.from_bay import of_a_lot, of_a_run, scales_of
from logger.balance.network import network
from tests.core.test_bookkeeping import Play
from tests.core.test_expected_grades import GradedPlay


@pytest.fixture(scope="module")
def play() -> Play:
    """A lot over the deck, its tailings once more, and a run that is open still."""
    play = Play()
    play.say("open-lot", lot="L1", gross="4.1 kg", tare="1 kg", moisture="5 %")
    play.run(20)
    for fields in ({}, {"feed_from": "run-1/tailings"}):
        play.say("start-run", lot="L1", **fields)
        play.flows = True
        play.run(300)
        play.flows = False
        play.run(20)
        play.say("end-run", hold_up="0.1 kg")
    play.say("weigh-product", run="run-1", outlet="concentrate", container="1", gross="2 kg", tare="0.6 kg")
    play.say("register-sample", sample="T1", run="run-1", outlet="tailings")
    play.say("sample-result", sample="T1", assay={"copper": "2 %"})
    play.say("check-weight", scale="tailings", nominal="1 kg", shown="1.005 kg")
    play.say("start-run")
    play.run(10)
    return play


def made(play: Play, run: str = "", lot: str = "") -> WeighUp:
    make = of_a_run(play.bay, run) if run else of_a_lot(play.bay, lot)
    assert make is not None
    document = make()
    check(document)
    network(document)
    return document


def test_a_runs_masses_are_those_of_its_tally(play: Play) -> None:
    tally = play.tally("run-1")
    document = made(play, "run-1")
    tailings = document.streams["tailings"]
    assert (tailings.net, tailings.scale) == (tally["outlets"]["tailings"]["delivered_kg"], "tailings")
    assert document.streams["feed"].net == tally["feed_kg"] == pytest.approx(3.0, abs=0.03)
    assert document.streams["concentrate"].containers[0].gross == 2.0
    assert document.streams["hold-up"].net == 0.1
    assert [c.assay for c in tailings.compositions] == [{"copper": 0.02}]
    assert [c.shown for c in document.scales["tailings"].checks] == [1.005]


def test_only_the_first_pass_of_a_lot_has_what_was_booked_in(play: Play) -> None:
    assert made(play, "run-1").passes["booking"].feed == ("booked",)
    assert "booked" not in made(play, "run-2").streams


def test_a_run_fed_again_has_the_results_of_what_it_was_fed_with(play: Play) -> None:
    assert [c.sample for c in made(play, "run-2").streams["feed"].compositions] == ["T1"]


def test_a_lot_is_the_network_of_its_runs(play: Play) -> None:
    document = made(play, lot="L1")
    assert list(document.passes) == ["booking", "run-1/tailings over again", "run-1", "run-2"]
    assert document.passes["run-2"].feed == ("run-2/feed",)
    net = network(document)
    assert [net.streams[k] for k in net.sources] == ["booked"]


def test_an_open_run_has_a_weigh_up_too(play: Play) -> None:
    assert "still open" in made(play, "run-3").streams["feed"].note


def test_what_there_is_not_has_none(play: Play) -> None:
    assert of_a_run(play.bay, "run-9") is None
    assert of_a_lot(play.bay, "L9") is None


def test_every_scale_stands_with_its_checks(play: Play) -> None:
    scales = scales_of(play.bay)()
    assert list(scales) == ["feed", "tailings", "bench"]
    assert [len(scale.checks) for scale in scales.values()] == [0, 1, 0]


def test_what_makes_no_document_says_what() -> None:
    """A run of every outlet in a hundred streams and more can't be balanced as one."""
    play = Play()
    play.say("open-lot", lot="L1")
    for _ in range(70):
        play.say("start-run", lot="L1")
        play.run(1)
        play.say("end-run")
    make = of_a_lot(play.bay, "L1")
    assert make is not None
    with pytest.raises(WeighUpError, match=r"streams: .*at most 200"):
        make()


def test_earlier_lots_tell_what_is_expected_beside_what_was_measured() -> None:
    play = GradedPlay()
    play.say("sample-result", sample="C2", assay={"bronze": "60 %"})
    play.say("register-sample", sample="C3", outlet="concentrate")
    play.say("sample-result", sample="C3", assay={"bronze": "70 %"})
    concentrate = made(play, "run-3").streams["concentrate"]
    measured, expected = concentrate.compositions
    assert measured.assay == {"bronze": 0.7}
    assert expected.expected == {"bronze": pytest.approx(0.55)}
    assert "bronze is expected as in 2 earlier lots" in concentrate.note
    assert made(play, lot="L3").streams["concentrate"].compositions == concentrate.compositions


def test_with_one_earlier_lot_the_configured_grades_are_expected() -> None:
    concentrate = made(GradedPlay(), "run-3").streams["concentrate"]
    assert [each.expected for each in concentrate.compositions] == [{"bronze": 0.9}]
    assert "earlier lots" not in concentrate.note
