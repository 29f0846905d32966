"""What holds of every alarm about a flow, whatever happens at the bay: over the whole of `Bay.apply`.

Bays are drawn: shares, chance, clogs, bumps, container changes and feed stops at any time. A property that is
checked on a few bays by default is checked on many with --full.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from logger.core.bay import Bay
from logger.core.entries import Entry, Finding, Reading
from logger.journal.checkpoint import freeze, thaw
from tests.core.made_bays import (
    D_G,
    NS,
    T0_S,
    Made,
    Trouble,
    described,
    entries,
    folded,
    raised,
)

LB_G = 453.59237
ISO = re.compile(r"\d{4}-\d\d-\d\dT[\d:.]+Z")

CLOGGED = Made(troubles=(Trouble("clog", 0, 480, 600),), length_s=640)
STOPPED = Made(troubles=(Trouble("feed-stop", None, 480, 600),), length_s=640)
SLOWLY = Made(troubles=(Trouble("bump", 1, 300, 303), Trouble("clog", 2, 450, 620)), length_s=640)


@st.composite
def bays(draw: st.DrawFn, length_s: int = 600) -> Made:
    shares = draw(st.sampled_from([(0.5, 0.3, 0.2), (0.8, 0.2), (0.4, 0.4, 0.2)]))
    troubles = []
    for _ in range(draw(st.integers(0, 3))):
        kind, long_s = draw(
            st.sampled_from([("clog", 150), ("bump", 3), ("change", 25), ("feed-stop", 90), ("clog", 90)])
        )
        outlet = None if kind == "feed-stop" else draw(st.integers(0, len(shares) - 1))
        at_s = draw(st.integers(60, length_s - 30))
        troubles.append(Trouble(kind, outlet, at_s, at_s + long_s))
    fed_s = (draw(st.integers(10, 200)), 10**6)
    return Made(draw(st.integers(0, 10**6)), shares, length_s, fed_s, troubles=tuple(troubles))


def of_many(check: Callable[[Made], None], few: int = 4, many: int = 60) -> Callable[[type], type]:
    """Give a class two tests of one property: over few drawn bays, and with --full over many."""

    def decorated(cls: type) -> type:
        def over(count: int) -> Callable[..., None]:
            @settings(
                max_examples=count, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck)
            )
            @given(made=bays())
            def test(self: object, made: Made) -> None:
                check(made)

            return test

        cls.test_of_a_few = over(few)  # type: ignore[attr-defined]
        cls.test_of_many = pytest.mark.full(pytest.mark.timeout(900)(over(many)))  # type: ignore[attr-defined]
        return cls

    return decorated


def text(found: list[Finding]) -> str:
    return "\n".join(json.dumps(finding, ensure_ascii=False) for finding in found)


# ------------------------------------------------------------------ that anything is said at all


@pytest.mark.parametrize(
    ("made", "kind", "subject", "at_s"),
    [
        (CLOGGED, "outlet-not-delivering", "out0", 480),
        (STOPPED, "feed-stopped", "feed", 480),
        (SLOWLY, "outlet-not-delivering", "out2", 450),
    ],
)
def test_what_is_plain_is_said(made: Made, kind: str, subject: str, at_s: int) -> None:
    """Else the properties below would hold of a program that never says anything."""
    found = raised(folded(made))
    assert [(k, s) for k, s, _ in found] == [(kind, subject)]
    assert at_s < found[0][2] < at_s + 60


# ------------------------------------------------------------------ not before, not after


def nothing_before_feed(made: Made) -> None:
    found = folded(replace(made, fed_s=(10**6, 10**6), length_s=400))
    assert raised(found) == []


@of_many(nothing_before_feed)
class TestNoFlowAlarmBeforeAnyFeed:
    """Containers are set, changed and bumped, the run is open, nothing is fed."""


def nothing_before_this_feed(made: Made) -> None:
    assert all(at_s > made.fed_s[0] for _, _, at_s in raised(folded(made)))


@of_many(nothing_before_this_feed)
class TestNoFlowAlarmBeforeTheFeedBegins:
    """However long the run has been open."""


def nothing_after_the_end(made: Made) -> None:
    made = replace(made, run_s=(2, 480), troubles=(*made.troubles, Trouble("clog", 0, 470, 600)))
    found = folded(made)
    assert all(at_s <= 480.0 for _, _, at_s in raised(found))
    standing = {
        (f.data["kind"], f.data["subject"]): f.data["state"]
        for f in found
        if f.kind == "alarm" and f.at_ns <= (T0_S + 490) * NS
    }
    assert all(state != "raised" for (kind, _), state in standing.items() if kind in KINDS_OF_A_RUN)


KINDS_OF_A_RUN = ("outlet-not-delivering", "outlet-slow", "feed-drift", "feed-stopped")


@of_many(nothing_after_the_end)
class TestNoFlowAlarmAfterTheRunsEnd:
    """The feed goes on, one outlet clogs at the very end: nothing is raised, and what stood is cleared."""


# ------------------------------------------------------------------ another clock, another unit


def shifted(listed: list[Entry], by_s: int) -> list[Entry]:
    return [entry._replace(at_ns=entry.at_ns + by_s * NS) for entry in listed]


def told(found: list[Finding], by_s: int) -> list[tuple[object, ...]]:
    """Every finding but tally and rates, which keep to the clock; its times set back by so much."""
    return [
        (f.kind, f.subject, f.at_ns - by_s * NS, f.cause, set_back(f.data, by_s))
        for f in found
        if f.kind not in ("tally", "rates")
    ]


def set_back(value: object, by_s: int) -> object:
    """All that looks like a time (second, nanosecond or text), earlier; numbers to nine digits."""
    if isinstance(value, dict):
        return {key: set_back(each, by_s) for key, each in value.items()}
    if isinstance(value, list | tuple):
        return [set_back(each, by_s) for each in value]
    if isinstance(value, int | float) and value > 1e18:
        return value - by_s * NS
    if isinstance(value, int | float) and value > 1e9:
        return round(value - by_s, 3)
    if isinstance(value, str) and ISO.fullmatch(value):
        return (datetime.fromisoformat(value) - timedelta(seconds=by_s)).isoformat()
    return float(f"{value:.9g}") if isinstance(value, float) else value


def another_time_changes_nothing(made: Made) -> None:
    by_s = 1 + made.seed % 100_000
    here, there = folded(made), folded(made, shifted(entries(made), by_s))
    assert told(there, by_s) == told(here, 0)


@of_many(another_time_changes_nothing)
class TestAtAnotherTimeTheSameIsFound:
    """So many whole seconds later, with all evidence, to the nanosecond."""


@pytest.mark.parametrize("by_s", [1, 7, 86_400 * 11 + 13])
def test_a_clog_is_called_at_the_same_second_whenever_it_is(by_s: int) -> None:
    found = folded(CLOGGED, shifted(entries(CLOGGED), by_s))
    assert told(found, by_s) == told(folded(CLOGGED), 0)


def in_pounds(entry: Entry, from_s: int = 0) -> Entry:
    """The same mass, shown in pounds to a millionth (0.5 mg)."""
    if type(entry) is not Reading or entry.at_ns < (T0_S + from_s) * NS:
        return entry
    return entry._replace(number=round(entry.number / LB_G * 10**6), exp=-6, unit="lb")


def pounds_change_nothing(made: Made) -> None:
    listed = entries(made)
    assert raised(folded(made, [in_pounds(e) for e in listed])) == raised(folded(made, listed))


@of_many(pounds_change_nothing)
class TestPoundsRaiseTheSameAlarmsAtTheSameSeconds:
    """Masses alike within half a milligram."""


@pytest.mark.parametrize("made", [CLOGGED, STOPPED, SLOWLY], ids=["clog", "stop", "slowly"])
def test_a_unit_changed_on_the_keypad_changes_no_flow_alarm(made: Made) -> None:
    """From second 200 on all scales show pounds."""
    listed = entries(made)
    found = folded(made, [in_pounds(e, 200) for e in listed])
    assert raised(found) == raised(folded(made, listed))
    assert raised(found, frozenset({"unit-changed"}))


@pytest.mark.parametrize("made", [CLOGGED, STOPPED, SLOWLY], ids=["clog", "stop", "slowly"])
def test_a_scale_with_divisions_of_a_hundredth_pound_says_the_same_a_little_earlier_or_later(
    made: Made,
) -> None:
    """0.01 lb is 4.5 g: other rounding, other noise, the same alarms within five seconds."""

    def coarse(entry: Entry) -> Entry:
        if type(entry) is not Reading:
            return entry
        return entry._replace(number=round(entry.number / LB_G * 100), exp=-2, unit="lb")

    listed = entries(made)
    assert abs(0.01 * LB_G - D_G) < 0.5
    here, there = raised(folded(made, listed)), raised(folded(made, [coarse(e) for e in listed]))
    assert [(kind, subject) for kind, subject, _ in there] == [(kind, subject) for kind, subject, _ in here]
    assert [at_s for _, _, at_s in there] == pytest.approx([at_s for _, _, at_s in here], abs=5.0)


# ------------------------------------------------------------------ again, and after a restart


def again_the_same(made: Made) -> None:
    listed = entries(made)
    assert text(folded(made, listed)) == text(folded(made, listed))


@of_many(again_the_same, few=3)
class TestAReplayGivesTheSameFindingsToTheByte:
    """Two folds share nothing."""


def restart_changes_nothing(made: Made) -> None:
    """A restart each 37 seconds, and in the middle of the second in which an alarm is raised."""
    listed = entries(made)
    whole = folded(made, listed)
    alarms = {f.cause for f in whole if f.kind == "alarm"}
    cuts = {n for n, e in enumerate(listed) if (e.at_ns // NS - T0_S) % 37 == 0 and n % 6 == 0} | alarms
    bay = Bay(described(made))
    found: list[Finding] = []
    for number, entry in enumerate(listed):
        if number in cuts:
            bay = thaw(freeze(bay))
        found += bay.apply(entry)
    assert text(found) == text(whole)


@of_many(restart_changes_nothing, few=3)
class TestARestartChangesNothing:
    """State goes through the very checkpoint that the daemon writes and reads."""


@pytest.mark.full
@pytest.mark.timeout(600)
@pytest.mark.parametrize("made", [CLOGGED, STOPPED, SLOWLY], ids=["clog", "stop", "slowly"])
def test_a_restart_at_every_second_changes_nothing(made: Made) -> None:
    listed = entries(made)
    expected = text(folded(made, listed))
    bay, found, second = Bay(described(made)), [], 0
    for entry in listed:
        if entry.at_ns // NS != second:
            second = entry.at_ns // NS
            bay = thaw(freeze(bay))
        found += bay.apply(entry)
    assert text(found) == expected
