"""Weights taken from a scale, pauses, an empty deck, corrected spans: what the books learn from the fold."""

from __future__ import annotations

from typing import Any

import pytest

from logger.core.actions import BODY
from logger.core.bay import Bay
from logger.core.entries import Action, Finding, Reading
from logger.core.walltime import rfc3339
from logger.journal.checkpoint import freeze, thaw
from logger.settings import loads

NS = 10**9
T0 = 1_772_431_200 * NS
CONFIG = """
[instruments.feed]
resolution = "10 g"
[instruments.tailings]
resolution = "5 g"
[instruments.bench]
resolution = "5 g"
[stations.table]
target = "36 kg/h"
[stations.table.feed]
scale = "feed"
[stations.table.outlets.tailings]
lag = "10 s"
[stations.table.outlets.concentrate]
scale = false
"""
FEED_G_S = 10.0


class Play:
    """A bay whose feed and tailings flow when told, and a bench scale that shows what lies on it."""

    def __init__(self) -> None:
        self.bay = Bay(loads(CONFIG).bay)
        self.seq = self.second = 0
        self.feed_g = 90_000.0
        self.tailings_g = 1_000.0
        self.bench_g = 0.0
        self.stable: bool | None = True
        self.flows = False
        self.arriving = [0.0] * 10
        self.found: list[Finding] = []

    def _apply(self, entry: Any) -> list[Finding]:
        self.seq += 1
        found = self.bay.apply(entry._replace(seq=self.seq))
        self.found += found
        return found

    def _show(self, channel: str, grams: float, step: int, stable: bool | None = True) -> None:
        number = round(grams / step) * step
        self._apply(Reading(T0 + self.second * NS + NS // 2, channel, number, -3, "kg", stable))

    def run(self, seconds: int) -> None:
        """Let time pass; half of what is fed arrives as tailings, ten seconds later."""
        for _ in range(seconds):
            fed = FEED_G_S if self.flows else 0.0
            self.feed_g -= fed
            self.arriving.append(fed / 2)
            self.tailings_g += self.arriving.pop(0)
            self._show("feed", self.feed_g, 10)
            self._show("tailings", self.tailings_g, 5)
            self._show("bench", self.bench_g, 5, self.stable)
            self.second += 1

    def say(self, action: str, *, at: int | None = None, **fields: Any) -> list[Finding]:
        body = {"action": action} | fields
        if at is not None:
            body["time"] = rfc3339(T0 + at * NS)
        at_ns = T0 + self.second * NS
        return self._apply(Action(at_ns, BODY.validate_python(body), fields.get("id", "")))

    def kinds(self) -> list[str]:
        return [f.kind for f in self.found]

    def alarms(self, kind: str) -> list[dict[str, Any]]:
        return [f.data for f in self.found if f.kind == "alarm" and f.data["kind"] == kind]

    def tally(self, run: str = "run-1") -> dict[str, Any]:
        return self.bay.run_tally(self.bay.books.runs[run])


# ---------------------------------------------------------------------- weighing


def test_the_next_stable_weight_is_the_gross_and_the_one_after_it_the_tare() -> None:
    play = Play()
    play.say("open-lot", lot="L1")
    play.say("weigh-lot", lot="L1", container="drum", gross="weigh", scale="bench")
    play.run(8)
    assert [p.what for p in play.bay.books.pending] == ["gross"]  # an empty scale is no container
    play.bench_g, play.stable = 11_000.0, False
    play.run(2)
    play.bench_g, play.stable = 12_340.0, True
    play.run(5)
    play.say("weigh-lot", lot="L1", container="drum", tare="weigh", scale="bench")
    play.run(8)
    assert [p.what for p in play.bay.books.pending] == ["tare"]  # the same weight is not taken twice
    play.bench_g = 1_200.0
    play.run(5)
    weighed = play.bay.books.lots["L1"].containers["drum"]
    assert (weighed.gross_kg, weighed.tare_kg) == (12.34, 1.2)
    assert weighed.u_net_kg == pytest.approx(0.005 / 6**0.5)  # two readings rounded to 5 g


def test_a_scale_that_never_flags_stable_is_believed_once_it_stands_still() -> None:
    play = Play()
    play.stable = False
    play.bench_g = 5_000.0
    play.say("open-lot", lot="L1")
    play.say("weigh-lot", lot="L1", container="drum", gross="weigh", scale="bench")
    play.run(8)
    assert play.bay.books.lots["L1"].containers["drum"].gross_kg == 5.0


def test_a_weight_that_moves_is_not_taken() -> None:
    play = Play()
    play.say("open-lot", lot="L1")
    play.say("weigh-lot", lot="L1", container="drum", gross="weigh", scale="bench")
    for step in range(20):
        play.bench_g = 5_000.0 + 40.0 * step
        play.run(1)
    assert play.bay.books.pending != []


def test_a_tare_above_the_gross_is_told_and_no_longer_waited_for() -> None:
    play = Play()
    play.bench_g = 5_000.0
    play.say("open-lot", lot="L1")
    play.say("weigh-lot", lot="L1", container="drum", gross="4 kg", tare="weigh", scale="bench")
    play.run(8)
    assert "weighing-refused" in play.kinds()
    assert play.bay.books.pending == []


def test_a_weight_nobody_puts_on_is_given_up_after_ten_minutes() -> None:
    play = Play()
    play.say("open-lot", lot="L1")
    play.say("weigh-lot", lot="L1", container="drum", gross="weigh", scale="bench")
    play.run(610)
    assert "weighing-lapsed" in play.kinds()
    assert play.bay.books.pending == []


def test_an_unknown_scale_is_refused_with_those_there_are() -> None:
    play = Play()
    play.say("open-lot", lot="L1")
    found = play.say("weigh-lot", lot="L1", container="drum", gross="weigh", scale="floor")
    assert found[-1].data["reason"] == 'there is no scale "floor"; there is feed, tailings, bench'


def test_a_product_weighed_by_hand_counts_for_its_outlet_once_the_run_has_ended() -> None:
    play = Play()
    play.run(5)
    play.say("start-run")
    play.flows = True
    play.run(100)
    play.say("weigh-product", outlet="concentrate", container="c1", gross="0.65 kg", tare="0.2 kg")
    assert play.tally()["outlets"]["concentrate"]["says"] == "by difference"
    play.flows = False
    play.run(60)
    play.say("end-run")
    outlet = play.tally()["outlets"]["concentrate"]
    assert (outlet["says"], outlet["delivered_kg"]) == ("weighed by hand", pytest.approx(0.45))


# ---------------------------------------------------------------------- the end of a run


def test_a_run_ends_by_itself_when_the_deck_is_empty() -> None:
    play = Play()
    play.run(5)
    play.say("start-run")
    play.flows = True
    play.run(200)
    play.flows = False
    play.say("end-run", hold_up="wait")
    play.run(120)
    closed = [f for f in play.found if f.kind == "run-closed"]
    assert len(closed) == 1
    tally = closed[0].data["tally"]
    assert tally["hold_up_how"] == "emptied"
    assert tally["outlets"]["tailings"]["delivered_kg"] == pytest.approx(1.0, abs=0.02)


def test_a_deck_that_never_empties_is_given_up_and_said() -> None:
    play = Play()
    play.run(5)
    play.say("start-run")
    play.flows = True
    play.run(100)
    play.say("end-run", hold_up="wait")
    play.run(910)
    assert [f.data["tally"]["hold_up_how"] for f in play.found if f.kind == "run-closed"] == ["not-emptied"]


def test_what_is_declared_to_lie_on_the_deck_is_stated() -> None:
    play = Play()
    play.run(5)
    play.say("start-run")
    play.flows = True
    play.run(100)
    play.say("end-run", hold_up="0.1 kg")
    assert (play.tally()["hold_up_kg"], play.tally()["hold_up_how"]) == (0.1, "declared")


# ---------------------------------------------------------------------- pauses


def test_a_pause_excuses_the_feed_and_is_over_when_it_flows_again() -> None:
    play = Play()
    play.run(5)
    play.say("start-run")
    play.flows = True
    play.run(300)
    play.say("pause-feed")
    play.flows = False
    play.run(120)
    assert {a["alarm_state"] for a in play.alarms("feed-stopped")} <= {"suppressed", "normal"}
    play.flows = True
    play.run(60)
    assert "feed-resumed" in play.kinds()
    assert play.bay.books.stations["table"].paused is None


def test_a_feed_that_stops_without_a_word_is_told() -> None:
    play = Play()
    play.run(5)
    play.say("start-run")
    play.flows = True
    play.run(300)
    play.flows = False
    play.run(120)
    assert play.alarms("feed-stopped") != []


# ---------------------------------------------------------------------- no run open


def test_a_feed_that_moves_without_a_run_is_asked_about_with_its_start() -> None:
    play = Play()
    play.run(100)
    assert play.alarms("no-run-open") == []
    play.flows = True
    play.run(100)
    told = play.alarms("no-run-open")
    assert len(told) == 1
    assert told[0]["since_s"] == pytest.approx(T0 // NS + 100, abs=20)
    assert told[0]["evidence"] == {"since": rfc3339(told[0]["since_s"] * NS)}
    play.say("start-run", at=100)
    play.run(5)
    assert play.alarms("no-run-open")[-1]["state"] != "raised"


def test_what_runs_out_after_a_run_is_not_asked_about() -> None:
    play = Play()
    play.run(5)
    play.say("start-run")
    play.flows = True
    play.run(200)
    play.flows = False
    play.say("end-run")
    play.run(300)
    assert play.alarms("no-run-open") == []


# ---------------------------------------------------------------------- settings and corrections


def test_a_change_of_settings_parts_the_tally() -> None:
    play = Play()
    play.run(5)
    play.say("settings", values={"tilt": "4°"})
    play.say("start-run")
    play.flows = True
    play.run(300)
    play.say("settings", values={"tilt": "5°"})
    play.run(300)
    play.say("end-run")
    before, after = play.tally()["by_settings"]
    assert (before["values"], after["values"]) == ({"tilt": "4°"}, {"tilt": "5°"})
    assert before["feed_kg"] + after["feed_kg"] == pytest.approx(play.tally()["feed_kg"], abs=0.03)
    assert after["outlets"]["tailings"]["yield"] == pytest.approx(0.5, abs=0.02)


def test_an_amended_start_changes_the_tally_of_the_past_and_is_told_with_both_spans() -> None:
    play = Play()
    play.run(5)
    play.flows = True
    play.run(300)
    play.say("start-run")
    play.run(100)
    play.say("end-run")
    short = play.tally()["feed_kg"]
    start = next(s for s in play.bay.books.said_json() if s["action"] == "start-run")
    found = play.say("amend", entry=start["entry"], change={"time": rfc3339(T0 + 5 * NS)}, why="forgotten")
    assert [f.kind for f in found if f.kind != "alarm"] == ["amended", "run-changed"]
    assert found[-1].data["new"]["start"] == rfc3339(T0 + 5 * NS)
    assert short == pytest.approx(1.0, abs=0.03)
    assert play.tally()["feed_kg"] == pytest.approx(4.0, abs=0.03)


def test_a_withdrawn_run_is_gone_and_told() -> None:
    play = Play()
    play.run(5)
    play.say("start-run")
    found = play.say("withdraw", entry="run-1")
    assert [f.kind for f in found] == ["withdrawn", "run-withdrawn"]
    assert play.bay.books.runs == {}
    assert play.bay.stations["table"].now.run_since_s is None


def test_a_restart_in_the_middle_changes_nothing() -> None:
    """A thawed bay finds the same as one that went on, weighing and emptying included."""
    plays = [Play(), Play()]
    for play in plays:
        play.run(5)
        play.say("open-lot", lot="L1")
        play.say("start-run", lot="L1")
        play.flows = True
        play.run(100)
        play.say("end-run", hold_up="wait")
        play.say("weigh-lot", lot="L1", container="drum", gross="weigh", scale="bench")
        play.flows = False
        play.run(3)
    plays[1].bay = thaw(freeze(plays[1].bay))
    for play in plays:
        play.bench_g = 7_000.0
        play.run(150)
    assert plays[0].found == plays[1].found
    assert {"weighed", "run-closed"} <= set(plays[1].kinds())


def test_outlets_that_stand_together_can_be_weighed_one_by_one() -> None:
    text = CONFIG.replace("scale = false", 'scale = "tailings"')
    play = Play()
    play.bay = Bay(loads(text).bay)
    play.run(5)
    play.say("start-run")
    play.flows = True
    play.run(100)
    play.flows = False
    play.run(60)
    play.say("weigh-product", outlet="concentrate", container="c1", gross="0.35 kg", tare="0.2 kg")
    play.say("end-run")
    tally = play.tally()
    assert tally["outlets"]["tailings"]["name"] == "tailings + concentrate"
    assert tally["outlets"]["tailings"]["delivered_kg"] == pytest.approx(0.5, abs=0.02)
    assert tally["by_hand"]["concentrate"]["net_kg"] == pytest.approx(0.15)
