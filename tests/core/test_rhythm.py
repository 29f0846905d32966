"""How often an outlet plugs, how long clearing takes, what a stop costs; and how it is said."""

from __future__ import annotations

from dataclasses import dataclass

import pytest

from logger.core.actions import BODY
from logger.core.bay import Bay
from logger.core.entries import Action
from logger.core.picture import picture
from logger.core.rhythm import Figures, Rhythm
from logger.core.rhythm_words import cost, rhythm_json, sentence, spoken
from logger.core.rules.contract import Judgement, StationRule
from logger.core.rules.outlet_not_delivering import OutletNotDelivering
from logger.core.rules.outlet_slow import OutletSlow
from logger.core.walltime import rfc3339
from logger.journal.checkpoint import freeze, thaw
from tests.core.folding import T0_S, configuration, entries, fold, foundry_trace
from tests.core.rules.fakes import T0, Play

PLUGS = ((600, 690), (1200, 1320))
RATE_KG_S = 60.0 / 3600.0 * 0.2  # of outlet1


@dataclass
class Listening(Play):
    """A play whose judgements the rhythm hears, as the station's fold has it."""

    def __post_init__(self) -> None:
        super().__post_init__()
        self.rhythm = Rhythm(self.station, self.expected)
        self.rules: list[StationRule] = [
            OutletNotDelivering(self.station, self.expected),
            OutletSlow(self.station, self.expected),
        ]

    def _note(self, judgement: Judgement) -> None:
        super()._note(judgement)
        self.rhythm.note(judgement, self.now)

    def go(self, seconds: int) -> None:
        for _ in range(seconds):
            self.run(self.rules, 1)
            self.rhythm.tick(self.now)

    def figures(self, outlet: int = 1, from_s: int = 0, to_s: int = 10**6) -> Figures:
        return self.rhythm.over(outlet, [(T0 + from_s, T0 + to_s)], self.now.now_s)


def shut(outlet: int, s: int) -> float:
    return 0.0 if outlet == 1 and any(a <= s < b for a, b in PLUGS) else 1.0


@pytest.fixture(scope="module")
def plugged_twice() -> Listening:
    play = Listening(open_part=shut)
    play.go(1800)
    return play


def test_stops_are_counted_over_the_time_in_which_the_outlet_was_free(plugged_twice: Listening) -> None:
    told = plugged_twice.figures()
    assert told.stops == 2
    assert told.free_s == pytest.approx(1800 - 30 - 90 - 120, abs=45)
    assert told.every_s == pytest.approx(told.free_s / 2)
    assert told.per_hour is not None
    assert told.per_hour_low is not None
    assert told.per_hour_high is not None
    assert told.per_hour_low < told.per_hour < told.per_hour_high


def test_clearing_is_timed_from_when_it_began_to_when_it_flowed(plugged_twice: Listening) -> None:
    """90 s and 120 s; where a stop began is known only as well as lumps and noise allow."""
    took = plugged_twice.figures().clearing_s
    assert took is not None
    assert took[1] == pytest.approx(90, abs=25)
    assert took[2] == pytest.approx(120, abs=25)
    assert took[0] == pytest.approx((took[1] + took[2]) / 2)


def test_what_was_held_back_and_never_came_is_missing(plugged_twice: Listening) -> None:
    told = plugged_twice.figures()
    assert told.held_kg == pytest.approx(210 * RATE_KG_S, abs=2.5 * told.u_held_kg)
    assert told.missing_kg == pytest.approx(210 * RATE_KG_S, abs=2.5 * told.u_missing_kg)
    assert told.missing_kg > 2.0 * told.u_missing_kg


def test_what_surges_when_the_plug_gives_way_is_not_missing() -> None:
    def gives_way(outlet: int, s: int) -> float:
        if outlet == 1 and 600 <= s < 690:
            return 0.0
        return 10.0 if outlet == 1 and 690 <= s < 700 else 1.0

    play = Listening(open_part=gives_way)
    play.go(1000)
    told = play.figures()
    assert told.stops == 1
    assert told.held_kg == pytest.approx(90 * RATE_KG_S, abs=2.5 * told.u_held_kg)
    assert abs(told.missing_kg) < 2.5 * told.u_missing_kg
    assert told.released_kg == pytest.approx(told.held_kg, abs=2.5 * told.u_missing_kg)


def test_others_are_not_blamed(plugged_twice: Listening) -> None:
    assert [plugged_twice.figures(outlet).stops for outlet in (0, 2, 3)] == [0, 0, 0]


def test_a_run_has_its_own_stops(plugged_twice: Listening) -> None:
    """Spans decide, so that a run whose start is corrected afterwards needs nothing folded again."""
    assert plugged_twice.figures(from_s=1000).stops == 1
    assert plugged_twice.figures(from_s=0, to_s=1000).stops == 1
    both = plugged_twice.rhythm.over(1, [(T0, T0 + 1000), (T0 + 1000, T0 + 1800)], plugged_twice.now.now_s)
    assert both.stops == 2


def test_while_it_is_plugged_that_is_said() -> None:
    play = Listening(open_part=lambda outlet, s: 0.0 if outlet == 1 and s >= 600 else 1.0)
    play.go(720)
    told = play.figures()
    assert told.plugged_since_s is not None
    assert told.plugged_since_s - T0 == pytest.approx(600, abs=25)
    assert sentence(told, play.now.now_s).endswith("for the first time in this run")
    held, u = play.rhythm.held_back_kg(1)
    assert held == pytest.approx(120 * RATE_KG_S, abs=2.5 * u)


def test_a_stop_that_outlasts_the_run_was_not_cleared() -> None:
    play = Listening(open_part=lambda outlet, s: 0.0 if outlet == 1 and s >= 600 else 1.0)
    play.go(720)
    play.now.run_since_s = None
    play.go(5)
    told = play.figures()
    assert (told.stops, told.clearing_s, told.plugged_since_s) == (1, None, None)
    assert sentence(told, play.now.now_s, over=True) == "plugged once, and was not cleared"


def test_a_pause_of_the_feed_is_no_time_in_which_it_could_have_plugged() -> None:
    play = Listening()
    play.go(400)
    before = play.figures().free_s
    play.now.feed_stopped_since_s = play.now.now_s - 20  # judged some time after
    play.go(200)
    assert play.figures().free_s == before - 20


def test_what_turns_out_to_be_the_feeds_doing_is_no_stop() -> None:
    play = Listening()
    play.go(300)
    judged = Judgement("outlet-not-delivering", "outlet1", "outlet1", True, play.now.now_s - 20, "", "")
    play.rhythm.note(judged, play.now)
    assert play.figures().stops == 1
    play.rhythm.note(
        Judgement("outlet-not-delivering", "outlet1", "outlet1", True, T0, "", "", suppressed=True), play.now
    )
    assert play.figures().stops == 0


def test_a_slow_outlet_that_stops_was_plugging_since_it_slowed() -> None:
    play = Listening()
    play.go(400)
    for kind, since in (("outlet-slow", 200), ("outlet-not-delivering", 380)):
        play.rhythm.note(Judgement(kind, "outlet1", "outlet1", True, T0 + since, "", ""), play.now)
    assert play.figures().plugged_since_s == T0 + 200


# -- words ---------------------------------------------------------------------------------------------


def told(**changed: object) -> Figures:
    usual: dict[str, object] = {
        "stops": 3, "free_s": 2160, "per_hour": 5.0, "per_hour_low": 1.4, "per_hour_high": 13.3,
        "every_s": 720.0, "plugged_since_s": None, "last_flowing_s": 5000,
        "clearing_s": (95.0, 60, 140), "held_kg": 1.2, "u_held_kg": 0.1,
        "missing_kg": 0.4, "u_missing_kg": 0.12,
    }  # fmt: skip
    return Figures(**(usual | changed))  # type: ignore[arg-type]


ONCE = {"stops": 1, "every_s": None}
NEVER = {"stops": 0, "every_s": None, "clearing_s": None, "last_flowing_s": None}


@pytest.mark.parametrize(
    ("changed", "over", "said"),
    [
        ({}, False, "plugs about every 12 minutes, last cleared 10 minutes ago"),
        ({}, True, "plugged 3 times, about every 12 minutes, cleared after 95 seconds as a rule"),
        (ONCE, False, "plugged once, cleared 10 minutes ago"),
        (ONCE, True, "plugged once, cleared after 95 seconds"),
        (NEVER, False, "has not plugged in 36 minutes of feeding"),
        (NEVER, True, "did not plug in 36 minutes of feeding"),
        (NEVER | {"free_s": 0}, False, ""),
        (
            {"plugged_since_s": 5420},
            False,
            "plugged for 3 minutes; plugs about every 12 minutes, cleared after 95 seconds as a rule",
        ),
        (ONCE | {"plugged_since_s": 5420}, False, "plugged for 3 minutes, for the first time in this run"),
    ],
)
def test_the_rhythm_is_one_plain_sentence(changed: dict[str, object], over: bool, said: str) -> None:
    assert sentence(told(**changed), 5600, over=over) == said


def test_what_the_stops_cost_is_said_in_the_bays_unit() -> None:
    """1.2 kg over 0.45359237 kg/lb (NIST SP 811) are 2.65 lb."""

    def said(unit: str = "kg", **changed: object) -> str:
        return cost(rhythm_json(told(**changed), 5600), unit)

    assert said() == "The 3 stops held back 1.2 ± 0.1 kg; of it 0.4 ± 0.1 kg never came"
    assert said("lb").startswith("The 3 stops held back 2.6 ± 0.2 lb")
    assert said(missing_kg=0.1).endswith("all of it seems to have come since")
    assert said(plugged_since_s=1).endswith("so far")
    assert said(stops=0) == ""


@pytest.mark.parametrize(
    ("seconds", "said"),
    [(1, "1 second"), (95, "95 seconds"), (100, "2 minutes"), (7200, "2 hours"), (8000, "2 h 13 min")],
)
def test_times_are_said_as_one_says_them(seconds: float, said: str) -> None:
    assert spoken(seconds) == said


# -- in the bay ----------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def bay() -> Bay:
    made = Bay(configuration().bay)
    fold(made, entries(foundry_trace())[:-1])
    return made


def test_the_picture_and_the_tally_tell_the_simulated_bays_plug(bay: Bay) -> None:
    """The demo's concentrate is blocked from 330 to 430 s."""
    drawn = picture(bay, {}, {}, "0")["stations"][0]["outlets"]
    rhythm = drawn[0]["rhythm"]
    assert rhythm["stops"] == 1
    assert rhythm["sentence"].startswith("plugged once, cleared 4 minutes ago")
    assert rhythm["clearing_s"]["median"] == pytest.approx(100, abs=15)
    assert "never came" in rhythm["cost"] or "seems to have come" in rhythm["cost"]
    assert rhythm["lot"] is None
    assert drawn[2]["rhythm"]["stops"] == 0
    tally = bay.run_tally(bay.open_runs()[0])["rhythm"]
    assert set(tally) == {"concentrate", "middlings", "tailings", "fines"}
    assert tally["concentrate"]["stops"] == 1


def test_a_frozen_and_thawed_fold_tells_the_same(bay: Bay) -> None:
    rhythm, again = (each.stations["table"].rhythm for each in (bay, thaw(freeze(bay))))
    spans, now_s = [(T0_S, T0_S + 10**6)], bay.at_ns // 10**9
    assert rhythm_json(again.over(0, spans, now_s), now_s) == rhythm_json(rhythm.over(0, spans, now_s), now_s)


# -- what a person corrects ----------------------------------------------------------------------------


def said(bay: Bay, **fields: object) -> list[str]:
    """Say that a stop was none; the kinds of findings that answer."""
    body = BODY.validate_python({"action": "no-stop", **fields})
    found = bay.apply(Action(bay.at_ns, body, seq=bay.seq + 1))
    return [f"{finding.kind}: {finding.data.get('reason', '')}" for finding in found]


def test_a_stop_that_was_none_leaves_the_rhythm_and_comes_back() -> None:
    bay = Bay(configuration().bay)
    fold(bay, entries(foundry_trace())[:-1])

    def stops() -> int:
        rhythm = picture(bay, {}, {}, "0")["stations"][0]["outlets"][0]["rhythm"]
        assert isinstance(rhythm["stops"], int)
        return rhythm["stops"]

    assert said(bay, outlet="concentrate") == ["no-stop: "]
    assert stops() == 0
    assert said(bay, outlet="concentrate", undo=True) == ["no-stop: "]
    assert stops() == 1
    assert said(bay, outlet="concentrate", time=rfc3339((T0_S + 380) * 10**9)) == ["no-stop: "]
    assert stops() == 0


@pytest.mark.parametrize(
    ("fields", "reason"),
    [
        ({"outlet": "tailings"}, 'outlet "tailings" had not been taken for plugged by then'),
        ({"outlet": "slag"}, 'there is no outlet "slag" here; there is concentrate, middlings'),
        (
            {"outlet": "concentrate", "time": rfc3339((T0_S + 100) * 10**9)},
            "had not been taken for plugged by then",
        ),
    ],
)
def test_a_stop_that_never_was_cannot_be_corrected(bay: Bay, fields: dict[str, object], reason: str) -> None:
    (answer,) = said(bay, **fields)
    assert answer.startswith("refused: ")
    assert reason in answer


def test_the_runs_of_a_lot_are_told_together() -> None:
    """Three minutes each, of which feeding; the run before is no part of the second run's own figures."""
    bay = Bay(configuration().bay)
    listed = entries(foundry_trace(), run=False)
    fold(bay, [entry for entry in listed if entry.at_ns < (T0_S + 1) * 10**9])
    words = [{"action": "open-lot", "lot": "L-1"}, {"action": "start-run", "lot": "L-1"}]
    for body in words:
        bay.apply(Action(bay.at_ns, BODY.validate_python(body), seq=bay.seq + 1))
    fold(bay, [entry for entry in listed if (T0_S + 1) * 10**9 <= entry.at_ns < (T0_S + 180) * 10**9])
    for body in ({"action": "end-run"}, {"action": "start-run", "lot": "L-1"}):
        bay.apply(Action(bay.at_ns, BODY.validate_python(body), seq=bay.seq + 1))
    fold(bay, [entry for entry in listed if (T0_S + 180) * 10**9 <= entry.at_ns < (T0_S + 360) * 10**9])
    rhythm = picture(bay, {}, {}, "0")["stations"][0]["outlets"][2]["rhythm"]
    assert rhythm["free_s"] == pytest.approx(180, abs=4)
    assert rhythm["lot"]["free_s"] == pytest.approx(360 - 20, abs=12)
    ended = [run for run in bay.books.runs.values() if run.end_ns is not None]
    assert bay.run_tally(ended[0])["rhythm"]["tailings"]["lot"]["stops"] == 0
