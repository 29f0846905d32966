"""Why an alarm came, and why none did, from a simulated bay whose clog, bumps and stops are known."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import pytest

from logger.core.actions import Shelve
from logger.core.bay import Bay
from logger.core.entries import Action, Entry, Finding
from logger.core.rules.contract import Evident
from logger.explain import ExplainError, Wanted, spells, tell
from logger.explain.figures import to_json
from logger.explain.probe import Probe, ProbedBay, Subject
from logger.explain.wanted import find
from logger.explain.words import in_words
from logger.journal.checkpoint import freeze, thaw
from logger.settings import loads
from tests.core.folding import NS, T0, T0_S, fold
from tests.explain.pasts import CLOG, DEMO, alarms, asked, clog, described, listed, past

TAILINGS_CHANGE_S = 590.0
FEED_STOP_S = 660.0


def line(lines: list[str], start: str) -> str:
    """The one line that begins so."""
    (found,) = [each for each in lines if each.startswith(start)]
    return found


# -- an alarm --------------------------------------------------------------------------------------


def test_the_words_of_a_clog_say_what_when_how_much_and_how_sure() -> None:
    lines = in_words(clog())
    assert lines[0].startswith(f"{CLOG}: raised at 2026-03-02 07:0")
    assert line(lines, "Said:").startswith('Said: "Outlet concentrate is not delivering: ')
    assert line(lines, "To do:").startswith("To do: Lock the table out")
    assert "% of the feed" in line(lines, "Expected:")
    assert line(lines, "Came: 0.0")
    assert "an alarm takes" in line(lines, "Evidence:")
    assert "by chance at most about once in" in line(lines, "Evidence:")
    assert line(lines, "Why:") == (
        "Why: the evidence reached what an alarm takes, and nothing spoke against saying so."
    )
    assert "middlings" in line(lines, "The other outlets")
    assert "would have been noticed in about" in line(lines, "A stop")


def test_a_moment_within_an_alarm_is_told_with_that_alarm() -> None:
    raised_s = clog().moment_s - T0_S
    story = asked("concentrate", raised_s + 10.0)
    assert story.spell is not None
    assert story.since_s == clog().since_s
    assert in_words(story)[0].startswith(f"{CLOG}: raised at")


def test_masses_are_told_in_the_unit_of_the_bay() -> None:
    kg, lb = (line(in_words(clog(unit)), "Expected:").split() for unit in ("kg", "lb"))
    assert kg[2] == "kg"
    assert lb[2] == "lb"
    assert float(lb[1]) == pytest.approx(float(kg[1]) / 0.45359237, abs=0.002)


def test_what_is_due_and_what_came_part_when_the_outlet_plugs() -> None:
    """The plug sits at 330 s; what comes after it is nothing, what is due goes on (within its lag)."""
    story = clog()
    due = story.mass_mg(story.due_mg, T0_S + 360, T0_S + 420)
    came = story.mass_mg(story.came_mg, T0_S + 360, T0_S + 420)
    assert due is not None
    assert came is not None
    assert due > 60_000.0
    assert abs(came) < 0.1 * due


def test_the_alarm_comes_when_the_evidence_reaches_what_it_takes() -> None:
    """Long windows are looked at every few seconds only, hence the slack."""
    story = clog()
    seen = [(s.at_s, s.evidence["outlet-not-delivering"]) for s in story.seconds]
    reached = [at_s for at_s, e in seen if e.statistic is not None and e.statistic >= (e.threshold or 0.0)]
    assert story.moment_s - 8 <= min(reached) <= story.moment_s


@pytest.mark.parametrize("alarm", [CLOG, "table/feed-stopped/feed"])
def test_what_is_seen_agrees_with_what_the_rule_told_with_its_alarm(alarm: str) -> None:
    story = tell(past(), Wanted(alarm, after_s=5))
    assert story.spell is not None
    statistic = story.second.evidence[story.kind].statistic
    assert statistic is not None
    assert statistic >= 0.85 * story.spell.evidence["nats"]


def test_the_figures_hold_every_second_of_the_span_and_are_plain_json() -> None:
    story = clog()
    data = json.loads(json.dumps(to_json(story), allow_nan=False))
    assert len(data["seconds"]) == len(story.seconds)
    times = [second.at_s for second in story.seconds]
    assert times == list(range(times[0], times[-1] + 1))
    assert data["words"] == in_words(story)
    assert data["alarm"] is True
    assert data["judged"][0]["id"] == CLOG
    at = next(s for s in data["seconds"] if s["at"] == data["at"])
    evidence = at["evidence"]["outlet-not-delivering"]
    assert evidence["statistic"] >= evidence["threshold"] > 0.0
    assert evidence["unit"] == "nats"


# -- none ------------------------------------------------------------------------------------------


def test_a_scale_without_its_container_is_why_none_came() -> None:
    lines = in_words(asked("tailings", TAILINGS_CHANGE_S + 8.0))
    assert "no alarm stood" in lines[0]
    assert line(lines, "Why:") == ("Why: it is not judged, or held back: no container stands on the scale.")
    assert "no container stands on the scale" in line(lines, "Held back")


def test_evidence_below_what_an_alarm_takes_is_why_none_came() -> None:
    lines = in_words(asked("tailings", 560.0))
    assert line(lines, "Why:").startswith("Why: the evidence, ")
    assert "is below the" in line(lines, "Why:")
    assert "Most in the span shown:" in line(lines, "Most")


def test_a_feed_that_stands_is_told_where_little_is_due() -> None:
    lines = in_words(asked("tailings", FEED_STOP_S + 45.0, before_s=120, after_s=10))
    assert line(lines, "Meanwhile:") == ("Meanwhile: the feed counts as stopped, so that little is due.")


def test_before_any_feed_nothing_is_judged() -> None:
    lines = in_words(asked("concentrate", 4.0))
    assert line(lines, "Why:") == "Why: it is not judged, or held back: nothing was fed yet."


def test_an_outlet_without_a_scale_is_never_judged() -> None:
    lines = in_words(asked("spill-tray", 60.0))
    assert line(lines, "Why:") == "Why: it is not judged, or held back: it is not weighed."


def test_a_stop_of_the_feed_is_explained_like_a_clog() -> None:
    story = tell(past(), Wanted("table/feed-stopped/feed"))
    evidence = story.second.evidence["feed-stopped"]
    assert evidence.statistic is not None
    assert evidence.statistic >= (evidence.threshold or 0.0)
    assert line(in_words(story), "Expected:")


def test_a_shelved_alarm_says_so() -> None:
    """Shelved while it stands: what is judged goes on, and nothing sounds."""
    raised_ns = clog().moment_s * NS
    shelve = Action(raised_ns + 2 * NS, Shelve(alarm=CLOG, minutes=5.0))
    story = tell(past(extra=[shelve]), Wanted("concentrate", raised_ns + 10 * NS))
    assert "it was shelved by hand" in line(in_words(story), "Why:")


@pytest.mark.parametrize("what", ["middlings", "feed", "wash"])
def test_whatever_is_measured_can_be_asked_about(what: str) -> None:
    lines = in_words(asked(what, 300.0, before_s=60, after_s=60))
    assert what in lines[0]
    assert line(lines, "Why:")


# -- then and now ----------------------------------------------------------------------------------


def test_where_what_was_told_is_judged_again_nothing_differs() -> None:
    story = clog()
    assert not story.differs
    assert not any(each.startswith("Told then") for each in in_words(story))


def test_where_it_is_judged_otherwise_now_both_are_told() -> None:
    """The record holds that the alarm was raised half a minute later than it is judged now."""
    later = [f._replace(at_ns=f.at_ns + 30 * NS) if f.subject == CLOG else f for f in alarms()]
    story = tell(past(told=later), Wanted(CLOG))
    lines = in_words(story)
    assert story.differs
    assert CLOG in line(lines, "Told then:")
    assert CLOG in line(lines, "Judged now:")
    assert line(lines, "Told then:")[11:] != line(lines, "Judged now:")[12:]


def test_looking_changes_nothing() -> None:
    """Every rule is asked every second; the findings stay the same to the byte."""
    probe = Probe(Subject("table", "concentrate"), 0, 1 << 40)
    looked = fold(ProbedBay(described(), probe), listed())
    assert looked == fold(Bay(described()), listed())
    assert len(probe.seconds) > 700


def test_each_rule_of_an_outlet_and_its_scale_is_heard() -> None:
    kinds = set(clog().second.evidence)
    outlet = {"outlet-not-delivering", "outlet-slow", "outlet-surging", "product-astray"}
    outlet |= {"container-near-full", "container-missing"}
    assert outlet | {"instrument-silent", "instrument-frozen"} <= kinds


def test_each_rule_of_the_feed_is_heard() -> None:
    kinds = set(asked("feed", 300.0, before_s=60, after_s=60).second.evidence)
    assert {"feed-stopped", "feed-drift", "feed-too-thick", "instrument-silent"} <= kinds


def test_an_instruments_alarm_is_told_with_the_outlet_it_serves() -> None:
    """In the demo both have one name; here the scale has another."""
    bay = loads(DEMO.replace("[instruments.concentrate]", "[instruments.scale-1]").replace(
        "[stations.table.outlets.concentrate]", '[stations.table.outlets.concentrate]\nscale = "scale-1"'
    )).bay  # fmt: skip
    subject, kind, _ = find(
        replace(past(), bay=bay), Wanted("table/instrument-silent/scale-1", T0 + 60 * NS), []
    )
    assert (subject.station, subject.name, kind) == ("table", "concentrate", "instrument-silent")


def test_product_that_goes_astray_is_seen_as_shortfall_and_gain() -> None:
    story = tell(past(), Wanted("table/product-astray/concentrate", after_s=30))
    evidence = story.second.evidence["product-astray"]
    assert evidence.extra["to"] == "middlings"
    assert evidence.statistic is not None
    assert evidence.statistic >= 0.8 * (evidence.threshold or 0.0)


@pytest.mark.parametrize("rule_subject", ["nobody", "table"])
def test_a_rule_asked_about_somebody_else_says_nothing(rule_subject: str) -> None:
    bay = Bay(described())
    fold(bay, listed()[:20_000])
    station = bay.stations["table"]
    rules = [rule for rule in station.rules if isinstance(rule, Evident)]
    assert len(rules) >= 9
    assert [rule.evidence(rule_subject, station.now) for rule in rules] == [None] * len(rules)


def test_from_a_checkpoint_the_same_is_seen_as_from_the_start() -> None:
    """Kept while nothing of the span had begun; every second and every word is the same."""
    wanted = Wanted("table/feed-stopped/feed", None, 120, 20)
    whole = past()
    kept = Bay(described())
    fold(kept, listed()[:14_000])
    assert kept.at_ns < T0 + 530 * NS
    asked_for: list[int] = []

    def resume(before_ns: int) -> tuple[int, Bay]:
        asked_for.append(before_ns)
        return 14_000, thaw(freeze(kept))

    early = replace(whole, resume=resume)
    assert to_json(tell(early, wanted)) == to_json(tell(whole, wanted))
    assert asked_for[0] > kept.at_ns


# -- errors ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("wanted", "message"),
    [
        (Wanted("table/outlet-not-delivering/tailings"), f"it holds .*{CLOG}"),
        (Wanted("slag"), "no outlet .slag.; there is concentrate, feed, .*tailings"),
        (Wanted("concentrate"), f"say a time with --at .*{CLOG}"),
        (Wanted("concentrate", T0 - 60 * NS), "06:59:00 is not in the record; it goes from .*07:00:00"),
        (Wanted("a/b", T0 + 60 * NS), "there is no alarm .a/b."),
    ],
)
def test_an_error_says_what_there_is(wanted: Wanted, message: str) -> None:
    with pytest.raises(ExplainError, match=message):
        tell(past(), wanted)


def test_an_alarm_of_which_no_figures_are_kept_is_told_in_its_own_words() -> None:
    nobody = changed(T0_S + 50, "raised", "unacknowledged", "Nobody opened a run.")
    told = [nobody._replace(subject="table/no-run-open/somebody")]
    with pytest.raises(ExplainError, match=r"no figures are kept of it. It said: Nobody opened a run\."):
        tell(past(told=told), Wanted("table/no-run-open/somebody"))


# -- spells ----------------------------------------------------------------------------------------


def changed(at_s: int, word: str, state: str, what: str = "x") -> Finding:
    data: dict[str, Any] = {
        "kind": "k", "channel": "c", "state": word, "alarm_state": state, "id": "t/k/s", "station": "t",
        "subject": "s", "since_s": at_s, "what": what, "do": "", "evidence": {},
    }  # fmt: skip
    return Finding(at_s * NS, "alarm", "t/k/s", 1, data)


def test_a_spell_goes_from_raised_over_seen_to_over() -> None:
    (spell,) = spells(
        [
            changed(10, "raised", "unacknowledged"),
            changed(12, "acknowledged", "acknowledged"),
            changed(20, "cleared", "normal"),
        ]
    )
    assert [ns // NS for ns in (spell.from_ns, spell.raised_ns, spell.seen_ns, spell.over_ns)] == [
        10,
        10,
        12,
        20,
    ]


def test_an_alarm_that_went_before_it_was_seen_is_over_when_it_went() -> None:
    (spell,) = spells(
        [
            changed(10, "raised", "unacknowledged"),
            changed(20, "cleared", "returned-unacknowledged"),
            changed(30, "acknowledged", "normal"),
        ]
    )
    assert (spell.over_ns // NS, spell.seen_ns // NS) == (20, 30)


def test_a_suppressed_alarm_that_is_sounded_after_all_is_one_spell() -> None:
    (spell,) = spells(
        [
            changed(10, "suppressed", "suppressed", "at first"),
            changed(20, "unsuppressed", "normal"),
            changed(20, "raised", "unacknowledged", "in the end"),
        ]
    )
    assert (spell.suppressed, spell.from_ns // NS, spell.raised_ns // NS) == (False, 10, 20)
    assert (spell.over_ns, spell.what) == (0, "in the end")


def test_an_alarm_that_comes_again_is_another_spell() -> None:
    found = spells(
        [
            changed(10, "raised", "unacknowledged"),
            changed(20, "cleared", "returned-unacknowledged"),
            changed(25, "raised", "unacknowledged"),
        ]
    )
    assert [spell.from_ns // NS for spell in found] == [10, 25]


def test_only_alarms_make_spells() -> None:
    other: list[Entry | Finding] = [Finding(T0, "tally", "run-1", 1, {})]
    assert spells(f for f in other if isinstance(f, Finding)) == []
