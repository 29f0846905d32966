"""Expected grades from earlier lots: figures, uncertainty, and what does not count."""

from __future__ import annotations

import random
from math import sqrt
from typing import Any

import pytest

from logger.core.bay import Bay
from logger.core.description import Feed, Outlet, Station
from logger.core.expected_grades import FEED, Expected, _expected, expected_grades, informed
from logger.journal.checkpoint import freeze, thaw
from logger.settings import loads
from tests.core.test_bookkeeping import CONFIG, Play
from tests.core.test_books import Clerk

STATION = Station(
    "table",
    Feed(),
    (
        Outlet("concentrate", expected_grade=0.9, expected_grade_u=0.03),
        Outlet("tailings", expected_grade=0.02),
    ),
    component="bronze",
    feed_grade=0.2,
)


class Years(Clerk):
    """Books of lot after lot, each with a run of an hour."""

    def __init__(self) -> None:
        super().__init__()
        self.minute = 0.0
        self.lots = 0

    def lot(self, *, material: str = "floor sweepings", end: bool = True, **concentrate: Any) -> str:
        """A lot and its run, and one result of its concentrate."""
        self.lots += 1
        self.say(self.minute, "open-lot", lot=f"L{self.lots}", material=material)
        run = self.run_of(f"L{self.lots}", end=end)
        if concentrate:
            self.result(f"C{self.lots}", run, **concentrate)
        return run

    def run_of(self, lot: str, *, end: bool = True, **fields: Any) -> str:
        self.minute += 60
        self.say(self.minute, "start-run", lot=lot, **fields)
        if end:
            self.say(self.minute + 50, "end-run")
        return list(self.books.runs)[-1]

    def result(self, sample: str, run: str, outlet: str = "concentrate", **found: Any) -> int:
        self.say(self.minute + 51, "register-sample", sample=sample, run=run, outlet=outlet)
        self.say(self.minute + 51, "sample-result", sample=sample, run=run, outlet=outlet, **found)
        return self.seq

    def expected(self, run: str) -> dict[str, Expected]:
        return dict(expected_grades(self.books, self.books.runs[run], STATION))


def assay(share: float, **more: Any) -> dict[str, Any]:
    return {"assay": {"bronze": share}} | more


@pytest.fixture
def years() -> Years:
    return Years()


# ---------------------------------------------------------------------- figures


def test_three_lots_give_their_mean_and_the_spread_of_one_new_lot(years: Years) -> None:
    """By hand: mean 0.80, s = 0.10, u = 0.10 sqrt(4/3) 4.303/1.96."""
    for share in (0.7, 0.8, 0.9):
        years.lot(**assay(share))
    found = years.expected(years.lot(end=False))
    assert found == {"concentrate": Expected(0.8, pytest.approx(0.253504, abs=1e-6), 3, False)}


def test_with_fewer_than_two_lots_nothing_is_told(years: Years) -> None:
    years.lot(**assay(0.8))
    years.lot()
    assert years.expected(years.lot(end=False)) == {}


def test_two_lots_that_agree_by_chance_are_not_surer_than_the_configuration(years: Years) -> None:
    for share in (0.8, 0.8):
        run = years.lot(**assay(share))
        years.result(f"T{run}", run, "tailings", **assay(0.05))
    found = years.expected(years.lot(end=False))
    assert found["concentrate"].u == 0.03
    assert found["tailings"].u == pytest.approx(0.1 * 0.02)


def test_the_mean_of_a_lot_is_that_of_its_runs(years: Years) -> None:
    run = years.lot(**assay(0.6))
    years.result("more", run, **assay(0.8))
    years.result("again", years.run_of("L1"), **assay(0.9))
    years.lot(**assay(0.8))
    assert years.expected(years.lot(end=False))["concentrate"].grade == pytest.approx(0.8)


def test_a_hand_sort_counts_by_mass_and_wet_assays_are_made_dry(years: Years) -> None:
    years.lot(sorted={"bronze": "8 g", "slag": "2 g"})
    years.lot(**assay(0.63, basis="wet"))
    years.say(years.minute + 52, "moisture", sample="C2", share="10 %")
    years.lot(**assay(0.5, basis="wet"))
    found = years.expected(years.lot(end=False))["concentrate"]
    assert (found.grade, found.lots) == (pytest.approx(0.75), 2)


def test_a_pan_makes_a_wet_assay_dry(years: Years) -> None:
    years.lot(**assay(0.7))
    run = years.lot(**assay(0.63, basis="wet"))
    pan = {"pan": "0.1 kg", "pan_wet": "1.1 kg", "pan_dry": "1 kg"}
    years.say(years.minute + 52, "moisture", run=run, outlet="concentrate", **pan)
    assert years.expected(years.lot(end=False))["concentrate"].grade == pytest.approx(0.7)


def test_counts_serve_only_where_nothing_else_is_there(years: Years) -> None:
    for pieces in (30, 50):
        run = years.lot(counted={"bronze": pieces, "slag": 100 - pieces})
        years.result(f"T{run}", run, "tailings", counted={"bronze": 1, "sand": 99})
        years.result(f"U{run}", run, "tailings", **assay(0.04))
    found = years.expected(years.lot(end=False))
    assert (found["concentrate"].grade, found["concentrate"].pieces) == (pytest.approx(0.4), True)
    assert (found["tailings"].grade, found["tailings"].pieces) == (pytest.approx(0.04), False)


def test_the_feed_of_earlier_lots_tells_of_the_feed(years: Years) -> None:
    for lot, share in (("L1", 0.1), ("L2", 0.2)):
        years.lot()
        years.say(years.minute + 55, "register-sample", sample="F", lot=lot)
        years.say(years.minute + 55, "sample-result", sample="F", lot=lot, **assay(share))
    assert years.expected(years.lot(end=False))[FEED].grade == pytest.approx(0.15)


@pytest.mark.parametrize("n", [2, 3, 5, 9, 15])
def test_the_interval_holds_the_next_lot_95_times_of_100(n: int) -> None:
    rng = random.Random(n)
    held, plays = 0, 4000
    for _ in range(plays):
        found = _expected([rng.gauss(0.5, 0.02) for _ in range(n)], (0.5, 0.0), pieces=False)
        held += abs(rng.gauss(0.5, 0.02) - found.grade) <= 1.96 * found.u
    assert held / plays > 0.95 - 4 * sqrt(0.95 * 0.05 / plays)


# ---------------------------------------------------------------------- what does not count


def test_another_material_does_not_count(years: Years) -> None:
    for share in (0.7, 0.8):
        years.lot(**assay(share))
    assert years.expected(years.lot(material="turnings", end=False)) == {}


def test_lots_without_a_word_of_their_material_are_not_alike(years: Years) -> None:
    for share in (0.7, 0.8):
        years.lot(material="", **assay(share))
    assert years.expected(years.lot(material="", end=False)) == {}


def test_the_word_of_the_material_is_read_as_people_write_it(years: Years) -> None:
    for share in (0.7, 0.8):
        years.lot(**assay(share))
    assert years.expected(years.lot(material="Floor  Sweepings", end=False))["concentrate"].lots == 2


def test_the_present_lot_does_not_count(years: Years) -> None:
    for share in (0.7, 0.8, 0.2):
        years.lot(**assay(share))
    found = years.expected(years.run_of("L3", end=False))["concentrate"]
    assert (found.grade, found.lots) == (pytest.approx(0.75), 2)


def test_later_lots_do_not_count(years: Years) -> None:
    runs = [years.lot(**assay(share)) for share in (0.7, 0.8, 0.75, 0.2, 0.3)]
    assert years.expected(runs[2])["concentrate"].grade == pytest.approx(0.75)


def test_a_run_fed_with_a_product_is_like_its_own_kind_alone(years: Years) -> None:
    for share in (0.7, 0.8):
        run = years.lot(**assay(share))
        again = years.run_of(f"L{years.lots}", feed_from=f"{run}/tailings")
        years.result(f"again {run}", again, **assay(share / 2))
    run = years.lot()
    assert years.expected(run)["concentrate"].grade == pytest.approx(0.75)
    again = years.run_of("L3", feed_from=f"{run}/tailings", end=False)
    assert years.expected(again)["concentrate"].grade == pytest.approx(0.375)


def test_an_amendment_or_a_withdrawal_changes_what_is_expected(years: Years) -> None:
    years.lot(**assay(0.7))
    years.lot(**assay(0.8))
    entry = years.seq
    run = years.lot(end=False)
    years.say(years.minute + 2, "amend", entry=entry, change={"assay": {"bronze": 0.9}}, why="typed wrong")
    assert years.expected(run)["concentrate"].grade == pytest.approx(0.8)
    years.say(years.minute + 3, "withdraw", entry=entry, why="another bag")
    assert years.expected(run) == {}


def test_a_station_is_informed_of_what_is_known_alone(years: Years) -> None:
    known = {"concentrate": Expected(0.8, 0.05, 4, False)}
    first, second = informed(STATION, known).outlets
    assert (first.expected_grade, first.expected_grade_u) == (0.8, 0.05)
    assert second == STATION.outlets[1]


# ---------------------------------------------------------------------- in the fold

GRADED = CONFIG.replace("[stations.table]", '[stations.table]\ncomponent = "bronze"')
GRADED = GRADED.replace(
    "[stations.table.outlets.tailings]", '[stations.table.outlets.tailings]\nexpected_grade = "2 %"'
)
GRADED += 'expected_grade = "90 %"\n'


class GradedPlay(Play):
    """Two lots with their results, and a third that runs."""

    def __init__(self) -> None:
        super().__init__()
        self.bay = Bay(loads(GRADED).bay)
        self.run(20)
        for number, share in ((1, "50 %"), (2, "60 %")):
            self.lot(number)
            self.run(60)
            self.flows = False
            self.run(20)
            self.say("end-run")
            self.say("register-sample", sample=f"C{number}", outlet="concentrate")
            if number == 1:
                self.say("sample-result", sample="C1", assay={"bronze": share})
        self.lot(3)
        self.run(120)

    def lot(self, number: int) -> None:
        self.say("open-lot", lot=f"L{number}", material="floor sweepings")
        self.say("start-run", lot=f"L{number}")
        self.flows = True

    def recovery(self) -> dict[str, Any]:
        run = self.bay.books.runs["run-3"]
        fold = self.bay.stations["table"]
        found = fold.recovery(fold.tally(run.start_ns // 10**9, self.bay.at_ns // 10**9))
        assert found is not None
        return found


def test_the_live_recovery_changes_when_a_second_lots_result_arrives_and_says_so() -> None:
    play = GradedPlay()
    before = play.recovery()
    assert before["expected_from"]["words"] == "estimated"
    play.say("sample-result", sample="C2", assay={"bronze": "60 %"})
    after = play.recovery()
    assert after["expected_from"] == {
        "lots": {"tailings": 0, "concentrate": 2},
        "pieces": False,
        "words": "estimated from 2 earlier lots, some grades as configured",
    }
    assert after["value"] < before["value"]
    assert after["u"] > before["u"]
    assert after["estimated"] is True


def test_this_lots_own_result_does_not_move_its_live_recovery() -> None:
    play = GradedPlay()
    play.say("sample-result", sample="C2", assay={"bronze": "60 %"})
    before = play.recovery()
    play.say("register-sample", sample="C3", outlet="concentrate")
    play.say("sample-result", sample="C3", assay={"bronze": "10 %"})
    assert play.recovery() == before


def test_a_thawed_fold_expects_the_same() -> None:
    play = GradedPlay()
    play.say("sample-result", sample="C2", assay={"bronze": "60 %"})
    before = play.recovery()
    play.bay = thaw(freeze(play.bay))
    assert play.recovery() == before
    assert before["expected_from"]["lots"]["concentrate"] == 2
