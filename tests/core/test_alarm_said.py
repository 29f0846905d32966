"""What a person says to alarms, on a whole bay: taken, refused, and kept over a restart."""

from __future__ import annotations

import json
import pickle
from typing import Any

import pytest

from logger.core.actions import BODY
from logger.core.alarm_list import CHATTER_NS, RAISES_KEPT, chattered_at, is_stale, listed, raised_since
from logger.core.alarms import Alarm, State
from logger.core.bay import Bay
from logger.core.entries import Action, Circumstance, Finding
from logger.core.rules.book import channel_rules
from logger.core.rules.contract import Judgement
from logger.core.rules.subjects import ABOUT
from tests.core.folding import NS, T0, configuration

SLOW = "table/outlet-slow/fines"
JOURNAL = "journal-set-aside/journal"


@pytest.fixture
def bay() -> Bay:
    return Bay(configuration().bay)


def say(bay: Bay, at_s: float, **body: Any) -> list[Finding]:
    at_ns = T0 + round(at_s * NS)
    return bay.apply(Action(at_ns, BODY.validate_python(body), seq=bay.seq + 1))


def tick(bay: Bay, at_s: int, alarm: str = SLOW) -> list[str]:
    """Let time pass; what became of the alarm."""
    found = bay.apply(Circumstance(T0 + at_s * NS, "link", "", {}, seq=bay.seq + 1))
    return [f.data["state"] for f in found if f.subject == alarm]


def state(bay: Bay, alarm: str = SLOW) -> str:
    return str(bay.alarms.get(alarm).state)


def refusal(found: list[Finding]) -> str:
    assert [f.kind for f in found] == ["refused"]
    return str(found[0].data["reason"])


def test_every_alarm_of_every_weighed_outlet_has_its_id_from_the_start(bay: Bay) -> None:
    ids = {alarm.id for alarm in bay.alarms.all()}
    outlets = {"concentrate", "middlings", "tailings", "fines"}
    assert {f"table/outlet-not-delivering/{name}" for name in outlets} <= ids
    assert {"table/feed-drift/feed", "table/instrument-silent/fines", JOURNAL} <= ids
    assert bay.alarms.active() == []


def test_it_is_known_what_each_kind_is_about(bay: Bay) -> None:
    """So that a new rule's alarms are listed before they were ever raised."""
    rules = bay.stations["table"].rules
    assert {rule.kind for rule in rules} - set(ABOUT) == set()
    assert not {rule.kind for rule in channel_rules(configuration().bay.channels[0])} & set(ABOUT)


def test_shelved_before_it_was_ever_raised_it_comes_back_by_its_time(bay: Bay) -> None:
    (found,) = say(bay, 1, action="shelve", alarm=SLOW, minutes=1, why="cleaning")
    assert (found.data["state"], found.data["why"]) == ("shelved", "cleaning")
    assert tick(bay, 60) == []
    assert tick(bay, 61) == ["unshelved"]
    assert state(bay) == "normal"


def test_a_silence_ends_by_hand(bay: Bay) -> None:
    say(bay, 1, action="shelve", alarm=SLOW, minutes=60)
    assert [f.data["state"] for f in say(bay, 2, action="unshelve", alarm=SLOW)] == ["unshelved"]


def test_out_of_service_lasts_over_a_checkpoint_and_over_folding_again(bay: Bay) -> None:
    said = {"action": "take-out-of-service", "alarm": SLOW, "why": "a new launder", "who": "early shift"}
    again = Bay(configuration().bay)
    for each in (bay, again):
        say(each, 1, **said)
        say(each, 2, action="shelve", alarm="table/feed-drift/feed", minutes=30)
        each.apply(Circumstance(T0 + 100 * NS, "boot", "", {"boot": "b2", "offset_ns": 0}, seq=each.seq + 1))
    thawed = pickle.loads(pickle.dumps(bay))
    for each in (again, thawed):
        assert tick(each, 1802, "table/feed-drift/feed") == ["unshelved"]
        assert (state(each), each.alarms.get(SLOW).why) == ("out-of-service", "a new launder")
        assert [f.data["state"] for f in say(each, 1803, action="return-to-service", alarm=SLOW)] == [
            "in-service"
        ]


@pytest.mark.parametrize(
    ("before", "said", "reason"),
    [
        (
            [],
            {"action": "unshelve"},
            "is normal; to unshelve it makes no sense now. What can be done with it: shelve",
        ),
        ([], {"action": "return-to-service"}, "to return to service it makes no sense now"),
        ([], {"action": "reset-alarm"}, "There is nothing to reset."),
        (
            [{"action": "take-out-of-service", "why": "x"}],
            {"action": "shelve", "minutes": 5},
            "is out-of-service; to shelve it makes no sense now. It is silent already, without a limit. "
            "What can be done with it: return to service.",
        ),
    ],
)
def test_a_step_out_of_order_is_refused_with_what_is_allowed(
    bay: Bay, before: list[dict[str, Any]], said: dict[str, Any], reason: str
) -> None:
    for each in before:
        say(bay, 1, alarm=SLOW, **each)
    assert reason in refusal(say(bay, 2, alarm=SLOW, **said))


def test_a_reset_out_of_order_says_what_is_missing(bay: Bay) -> None:
    bay.apply(Circumstance(T0, "journal", "", {"state": "set-aside", "message": "x"}, seq=1))
    assert "Acknowledge it first." in refusal(say(bay, 1, action="reset-alarm", alarm=JOURNAL))
    say(bay, 2, action="acknowledge", alarm="all")
    assert state(bay, JOURNAL) == "latched"
    assert say(bay, 3, action="reset-alarm", alarm=JOURNAL)[0].data["state"] == "reset"


# -- the list --------------------------------------------------------------------------------------


def entry(bay: Bay, alarm: str) -> dict[str, Any]:
    (found,) = [each for each in json.loads(json.dumps(listed(bay)))["alarms"] if each["id"] == alarm]
    return dict(found)


def test_the_list_says_why_an_alarm_is_quiet(bay: Bay) -> None:
    say(bay, 1, action="take-out-of-service", alarm=SLOW, why="a new launder", who="early shift")
    told = entry(bay, SLOW)
    assert (told["state"], told["why"], told["who"]) == ("out-of-service", "a new launder", "early shift")
    assert told["what"] == "Outlet slow: fines."
    assert told["can"] == ["return to service"]
    say(bay, 2, action="shelve", alarm="table/feed-drift/feed", minutes=5)
    assert entry(bay, "table/feed-drift/feed")["shelved_until"] == "2026-03-02T06:05:02.000Z"
    assert listed(bay)["raised_in_run"] == {}


def test_raises_are_counted_by_run_and_kind(bay: Bay) -> None:
    """Of the open run, also where its start was told afterwards; an alarm of no station counts too."""
    for at_s in (10, 20, 30):
        bay.apply(
            Circumstance(T0 + at_s * NS, "journal", "", {"state": "set-aside", "message": "x"}, seq=at_s)
        )
    assert listed(bay)["raised_in_run"] == {}
    say(bay, 40, action="start-run", time="2026-03-02T06:00:15Z")
    assert listed(bay)["raised_in_run"] == {"journal-set-aside": 2}
    assert entry(bay, JOURNAL)["raised_in_run"] == 2


def raised(*at_s: float, state: State = State.UNACKNOWLEDGED) -> Alarm:
    times = tuple(round(at * NS) for at in at_s)
    told = Judgement("k", "s", "", True, 0, "", "")
    return Alarm("k/s", "", told, state, times[-1], times[-1], raises=times)


@pytest.mark.parametrize(
    ("at_s", "chattered_s"),
    [((1, 2), None), ((0, 30, 60), 60), ((0, 30, 61), None), ((0, 30, 61, 62, 200), 62)],
)
def test_three_raises_within_a_minute_are_chattering(at_s: tuple[int, ...], chattered_s: int | None) -> None:
    found = chattered_at(raised(*at_s), 0)
    assert found == (None if chattered_s is None else chattered_s * NS)
    assert CHATTER_NS == 60 * NS


def test_only_raises_of_the_span_count() -> None:
    alarm = raised(1, 20, 40, 90)
    assert raised_since(alarm, 20 * NS) == 3
    assert chattered_at(alarm, 20 * NS) is None


@pytest.mark.parametrize(
    ("state", "after_s", "stale"),
    [
        (State.ACKNOWLEDGED, 86_400, False),
        (State.ACKNOWLEDGED, 86_401, True),
        (State.LATCHED, 90_000, False),
        (State.SHELVED, 90_000, False),
    ],
)
def test_what_stands_for_more_than_a_day_is_stale(state: State, after_s: int, stale: bool) -> None:
    assert is_stale(raised(5, state=state), (5 + after_s) * NS) is stale


def test_a_flood_does_not_fill_the_memory(bay: Bay) -> None:
    for number in range(2 * RAISES_KEPT + 40):
        told = Judgement("feed-drift", "feed", "", number % 2 == 0, 0, "", "")
        bay.alarms.judge(told, "table", T0 + number * NS)
    alarm = bay.alarms.get("table/feed-drift/feed")
    assert (len(alarm.raises), alarm.times) == (RAISES_KEPT, RAISES_KEPT + 20)
    assert alarm.raises[-1] == T0 + (2 * RAISES_KEPT + 38) * NS
