"""The state machine: keys, wet hands, what is not done, and what ends early."""

from __future__ import annotations

import pytest

from logger.core.description import Bay, Channel, Feed, FeedKind, Outlet, Station
from logger.core.entries import Reading
from logger.core.proof.plan import SECTIONS, Wishes, plan
from logger.core.proof.session import Session
from logger.core.proof.values import Instruct, Verdict
from tests.core.proof.person import NS, T0_NS, bay_of, scale


def listening() -> Session:
    wishes = Wishes(only=frozenset({"alive", "zero", "repeat"}), seconds=5.0)
    bay = bay_of(scale())
    return Session(bay, plan(bay, {}, wishes), interactive=True, resolution=False)


def test_a_second_press_of_a_wet_hand_changes_nothing() -> None:
    """Neither at the beginning of a step, nor in one that listens."""
    session = listening()
    assert [w.key for w in session.begin(T0_NS) if isinstance(w, Instruct)] == ["ready"]
    assert session.press(T0_NS + NS // 5, "go") == []
    pressed = session.press(T0_NS + NS, "go")
    assert [w.key for w in pressed if isinstance(w, Instruct)] == ["listen"]
    assert session.press(T0_NS + 3 * NS, "go") == []


def test_a_dead_instrument_is_told_and_its_guided_tests_are_left_out() -> None:
    session = listening()
    session.begin(T0_NS)
    session.press(T0_NS + NS, "go")
    session.tick(T0_NS + 7 * NS)
    assert session.over
    found = {each.test: each for each in session.results}
    assert found["alive"].verdict is Verdict.FAILS
    assert found["repeatability"].found == "the instrument is silent"


def test_quitting_names_all_that_was_left() -> None:
    session = listening()
    session.begin(T0_NS)
    session.press(T0_NS + NS, "quit")
    assert session.over
    assert not session.complete
    assert {each.verdict for each in session.results} == {Verdict.NOT_DONE}
    assert {"alive", "zero", "repeatability"} <= {each.test for each in session.results}
    assert session.press(T0_NS + 2 * NS, "go") == []


def test_an_unknown_key_is_refused() -> None:
    with pytest.raises(ValueError, match="not one of go, skip, quit"):
        listening().press(T0_NS, "jump")


def test_unknown_wishes_name_the_known_ones() -> None:
    bay = bay_of(scale())
    with pytest.raises(ValueError, match=r'no test "smell"; known are alive'):
        plan(bay, {}, Wishes(only=frozenset({"smell"})))
    with pytest.raises(ValueError, match=r'no instrument "x"; known are concentrate'):
        plan(bay, {}, Wishes(instruments=frozenset({"x"})))


def test_a_hoppers_scale_is_asked_neither_for_its_zero_nor_for_a_trickle() -> None:
    hopper = Channel("feed", unit="kg")
    station = Station("table", Feed(FeedKind.HOPPER, "feed"), (Outlet("fines"),))
    bay = Bay("Foundry bay", (station,), (hopper,))
    lines = {line for test in plan(bay, {}, Wishes()) for line in test.lines}
    assert ("feed", "zero") not in lines
    assert ("feed", "zero tracking") not in lines
    assert {("feed", "drift"), ("feed", "test weight")} <= lines


@pytest.mark.parametrize("section", SECTIONS)
def test_every_section_alone_makes_a_plan(section: str) -> None:
    meter = Channel("wash", quantity="flow", unit="L/min", resolution_kg=0.1)
    bay = bay_of(scale(), water=(meter,))
    assert plan(bay, {}, Wishes(only=frozenset({section})))


def test_a_changed_unit_and_a_tared_scale_fail() -> None:
    session = listening()
    session.begin(T0_NS)
    session.press(T0_NS + NS, "go")
    for k in range(25):
        at_ns = T0_NS + NS + k * NS // 5
        session.take(Reading(at_ns, "concentrate", 0, -3, "lb", True, "ok", "net"))
    session.tick(T0_NS + 7 * NS)
    found = {each.test: each.verdict for each in session.results}
    assert (found["unit"], found["mode"], found["zero"]) == (Verdict.FAILS, Verdict.FAILS, Verdict.PASSES)
