"""The states of alarms, after ISA-18.2 (the state model from memory)."""

from __future__ import annotations

import itertools
import json
import pickle

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.core.alarm_states import LATCHES
from logger.core.alarms import LEGAL, AlarmChange, AlarmTable, IllegalStep, State, Step, after, alarm_id
from logger.core.rules.contract import Judgement

NS = 10**9


def told(
    active: bool,
    *,
    suppressed: bool = False,
    subject: str = "concentrate",
    kind: str = "outlet-not-delivering",
) -> Judgement:
    evidence = {"suppressed_by": "the feed"} if suppressed else {"nats": 12.5}
    return Judgement(kind, subject, "scale-1", active, 100, "what", "do", evidence, suppressed)


ID = "table/outlet-not-delivering/concentrate"


def changes(table: AlarmTable, judgement: Judgement, at_s: int = 1) -> list[tuple[str, str]]:
    return [(c.change, c.state) for c in table.judge(judgement, "table", at_s * NS)]


def test_the_table_has_every_state_and_leads_only_to_states() -> None:
    assert set(LEGAL) == set(State)
    assert {end for steps in LEGAL.values() for end in steps.values()} == set(State)


@pytest.mark.parametrize(("state", "step"), list(itertools.product(State, Step)))
def test_every_step_is_legal_by_the_table_or_raises(state: State, step: Step) -> None:
    if step in LEGAL[state]:
        assert after(state, step) is LEGAL[state][step]
    else:
        with pytest.raises(IllegalStep, match=f"an alarm that is {state} cannot be"):
            after(state, step)


LEGAL_PAIRS = {
    ("normal", "raised", "unacknowledged"),
    ("normal", "latched", "latched"),
    ("normal", "shelved", "shelved"),
    ("normal", "suppressed", "suppressed"),
    ("normal", "out-of-service", "out-of-service"),
    ("unacknowledged", "acknowledged", "acknowledged"),
    ("unacknowledged", "cleared", "returned-unacknowledged"),
    ("unacknowledged", "shelved", "shelved"),
    ("unacknowledged", "suppressed", "suppressed"),
    ("unacknowledged", "out-of-service", "out-of-service"),
    ("acknowledged", "cleared", "normal"),
    ("acknowledged", "shelved", "shelved"),
    ("acknowledged", "suppressed", "suppressed"),
    ("acknowledged", "out-of-service", "out-of-service"),
    ("returned-unacknowledged", "raised", "unacknowledged"),
    ("returned-unacknowledged", "acknowledged", "normal"),
    ("returned-unacknowledged", "shelved", "shelved"),
    ("returned-unacknowledged", "suppressed", "suppressed"),
    ("returned-unacknowledged", "out-of-service", "out-of-service"),
    ("shelved", "unshelved", "normal"),
    ("shelved", "out-of-service", "out-of-service"),
    ("latched", "raised", "unacknowledged"),
    ("latched", "reset", "normal"),
    ("latched", "shelved", "shelved"),
    ("latched", "suppressed", "suppressed"),
    ("latched", "out-of-service", "out-of-service"),
    ("suppressed", "unsuppressed", "normal"),
    ("suppressed", "shelved", "shelved"),
    ("suppressed", "out-of-service", "out-of-service"),
    ("out-of-service", "in-service", "normal"),
}


def test_the_legal_steps_are_those_of_the_standard() -> None:
    found = {(str(s), str(step), str(end)) for s, steps in LEGAL.items() for step, end in steps.items()}
    assert found == LEGAL_PAIRS


def test_an_alarm_is_raised_seen_and_cleared() -> None:
    table = AlarmTable()
    assert changes(table, told(True)) == [("raised", "unacknowledged")]
    assert [c.change for c in table.acknowledge(ID, 2 * NS)] == ["acknowledged"]
    assert changes(table, told(False), 3) == [("cleared", "normal")]
    assert table.active() == []


def test_an_alarm_that_ends_unseen_waits_to_be_seen() -> None:
    table = AlarmTable()
    changes(table, told(True))
    assert changes(table, told(False)) == [("cleared", "returned-unacknowledged")]
    assert [a.state for a in table.active()] == [State.RETURNED]
    assert [c.state for c in table.acknowledge("all", 5 * NS)] == ["normal"]


def test_an_unseen_alarm_that_comes_back_is_raised_again() -> None:
    table = AlarmTable()
    changes(table, told(True))
    changes(table, told(False))
    assert changes(table, told(True)) == [("raised", "unacknowledged")]
    assert table.get(ID).times == 2


def test_the_same_word_twice_changes_nothing() -> None:
    table = AlarmTable()
    changes(table, told(True))
    assert changes(table, told(True)) == []


def test_a_word_that_all_is_well_raises_nothing() -> None:
    assert changes(AlarmTable(), told(False)) == []


def test_a_shelved_alarm_is_silent_until_its_time_and_then_comes_back() -> None:
    table = AlarmTable()
    changes(table, told(True))
    assert [c.change for c in table.shelve(ID, 60 * NS, 2 * NS)] == ["shelved"]
    assert changes(table, told(False), 10) == []
    assert changes(table, told(True), 20) == []
    assert table.tick(59 * NS) == []
    assert [(c.change, c.state) for c in table.tick(60 * NS)] == [
        ("unshelved", "normal"),
        ("raised", "unacknowledged"),
    ]


def test_a_shelved_alarm_whose_condition_ended_comes_back_as_normal() -> None:
    table = AlarmTable()
    changes(table, told(True))
    table.shelve(ID, 60 * NS, 2 * NS)
    changes(table, told(False), 10)
    assert [(c.change, c.state) for c in table.tick(61 * NS)] == [("unshelved", "normal")]


def test_shelving_again_moves_the_end() -> None:
    table = AlarmTable()
    changes(table, told(True))
    table.shelve(ID, 60 * NS, 2 * NS)
    assert table.shelve(ID, 600 * NS, 3 * NS) == []
    assert table.tick(61 * NS) == []


def test_shelving_into_the_past_is_refused() -> None:
    table = AlarmTable()
    changes(table, told(True))
    with pytest.raises(ValueError, match="into the past"):
        table.shelve(ID, 2 * NS, 2 * NS)


def test_a_suppressed_condition_is_not_sounded() -> None:
    table = AlarmTable()
    assert changes(table, told(True, suppressed=True)) == [("suppressed", "suppressed")]


def test_a_sounding_alarm_that_turns_out_to_have_another_cause_is_suppressed() -> None:
    table = AlarmTable()
    changes(table, told(True))
    assert changes(table, told(True, suppressed=True)) == [("suppressed", "suppressed")]


def test_a_suppressed_condition_that_stands_alone_is_sounded_after_all() -> None:
    table = AlarmTable()
    changes(table, told(True, suppressed=True))
    assert changes(table, told(True)) == [("unsuppressed", "normal"), ("raised", "unacknowledged")]


def test_a_suppressed_condition_that_ends_is_only_unsuppressed() -> None:
    table = AlarmTable()
    changes(table, told(True, suppressed=True))
    assert changes(table, told(False)) == [("unsuppressed", "normal")]


def test_out_of_service_is_silent_without_limit_and_comes_back_by_hand() -> None:
    table = AlarmTable()
    changes(table, told(True))
    assert [c.state for c in table.take_out_of_service(ID, 2 * NS)] == ["out-of-service"]
    assert table.tick(10**6 * NS) == []
    assert changes(table, told(False)) == []
    assert changes(table, told(True)) == []
    assert [c.change for c in table.return_to_service(ID, 3 * NS)] == ["in-service", "raised"]


def test_an_unknown_alarm_is_refused_by_name() -> None:
    with pytest.raises(KeyError, match="no alarm"):
        AlarmTable().acknowledge("nothing", NS)


def test_acknowledging_twice_does_no_harm() -> None:
    table = AlarmTable()
    changes(table, told(True))
    table.acknowledge(ID, 2 * NS)
    assert table.acknowledge(ID, 3 * NS) == []


def test_all_acknowledges_every_alarm() -> None:
    table = AlarmTable()
    changes(table, told(True))
    changes(table, told(True, subject="fines"))
    assert [c.subject for c in table.acknowledge("all", 2 * NS)] == ["concentrate", "fines"]


def test_the_board_lists_the_newest_raised_first() -> None:
    table = AlarmTable()
    changes(table, told(True), 1)
    changes(table, told(True, subject="fines"), 2)
    assert [a.judged.subject for a in table.active()] == ["fines", "concentrate"]


def test_a_change_is_plain_json_with_what_a_replay_writes() -> None:
    (change,) = AlarmTable().judge(told(True), "table", 7 * NS)
    data = json.loads(json.dumps(change.to_json()))
    assert data["kind"] == "outlet-not-delivering"
    assert data["channel"] == "scale-1"
    assert data["state"] == "raised"
    assert data["alarm_state"] == "unacknowledged"
    assert data["id"] == ID
    assert data["evidence"] == {"nats": 12.5}


def test_an_instruments_alarm_has_no_station_in_its_id() -> None:
    assert alarm_id(told(True), "") == "outlet-not-delivering/concentrate"


def test_a_table_goes_on_from_a_pickle_as_if_nothing_had_happened() -> None:
    table = AlarmTable()
    changes(table, told(True))
    table.shelve(ID, 60 * NS, 2 * NS)
    again = pickle.loads(pickle.dumps(table))
    assert again.tick(60 * NS) == table.tick(60 * NS)


# -- latched ---------------------------------------------------------------------------------------

ASTRAY = "table/product-astray/concentrate"


def astray(active: bool, *, suppressed: bool = False) -> Judgement:
    return told(active, suppressed=suppressed, kind="product-astray")


def test_one_that_latches_stays_after_its_end_until_it_is_reset() -> None:
    table = AlarmTable()
    assert changes(table, astray(True)) == [("raised", "unacknowledged")]
    assert [c.change for c in table.acknowledge(ASTRAY, 2 * NS)] == ["acknowledged"]
    assert changes(table, astray(False), 3) == [("cleared", "normal"), ("latched", "latched")]
    assert [(c.change, c.state) for c in table.reset(ASTRAY, 4 * NS)] == [("reset", "normal")]
    assert table.active() == []


def test_one_that_latches_and_ended_unseen_wants_to_be_seen_first() -> None:
    table = AlarmTable()
    changes(table, astray(True))
    assert changes(table, astray(False)) == [("cleared", "returned-unacknowledged")]
    with pytest.raises(IllegalStep):
        table.reset(ASTRAY, 2 * NS)
    assert [c.change for c in table.acknowledge("all", 3 * NS)] == ["acknowledged", "latched"]


def test_one_that_still_holds_cannot_be_reset() -> None:
    table = AlarmTable()
    changes(table, astray(True))
    table.acknowledge("all", 2 * NS)
    with pytest.raises(IllegalStep):
        table.reset(ASTRAY, 3 * NS)
    assert table.get(ASTRAY).latched is not None


def test_one_that_latched_and_begins_again_is_raised() -> None:
    table = AlarmTable()
    changes(table, astray(True))
    table.acknowledge("all", 2 * NS)
    changes(table, astray(False), 3)
    assert changes(table, astray(True), 4) == [("raised", "unacknowledged")]


@pytest.mark.parametrize("way", ["shelve", "out of service"])
def test_silence_by_hand_does_not_lose_what_latched(way: str) -> None:
    """What happened and ended while nobody was called is found latched afterwards."""
    table = AlarmTable()
    table.expect("product-astray", "concentrate", "scale-1", "table")
    if way == "shelve":
        table.shelve(ASTRAY, 60 * NS, NS)
    else:
        table.take_out_of_service(ASTRAY, NS, why="x")
    assert changes(table, astray(True), 10) + changes(table, astray(False), 20) == []
    back = table.tick(60 * NS) if way == "shelve" else table.return_to_service(ASTRAY, 60 * NS)
    assert [c.state for c in back] == ["normal", "latched"]


def test_what_only_repeats_another_cause_does_not_latch() -> None:
    table = AlarmTable()
    changes(table, astray(True, suppressed=True))
    assert changes(table, astray(False)) == [("unsuppressed", "normal")]


# -- known before they were raised -----------------------------------------------------------------


def test_an_alarm_that_never_was_can_be_taken_out_of_service() -> None:
    table = AlarmTable()
    table.expect("outlet-not-delivering", "concentrate", "scale-1", "table")
    assert table.active() == []
    (change,) = table.take_out_of_service(ID, NS, why="a new launder", who="early shift")
    assert (change.state, change.to_json()["why"]) == ("out-of-service", "a new launder")
    assert changes(table, told(True)) == []
    assert (table.get(ID).why, table.get(ID).who) == ("a new launder", "early shift")
    table.return_to_service(ID, 2 * NS)
    assert (table.get(ID).why, table.get(ID).who) == ("", "")


def test_a_suppressed_alarm_can_be_shelved() -> None:
    table = AlarmTable()
    changes(table, told(True, suppressed=True))
    table.shelve(ID, 60 * NS, 2 * NS)
    assert [c.state for c in table.tick(60 * NS)] == ["normal", "suppressed"]


def test_an_unknown_id_is_told_the_one_it_looks_like() -> None:
    table = AlarmTable()
    table.expect("outlet-slow", "fines", "", "table")
    with pytest.raises(KeyError, match='did you mean "table/outlet-slow/fines"'):
        table.get("table/outlet-slow/fine")


# -- whatever is done ------------------------------------------------------------------------------

KINDS = ["outlet-not-delivering", "product-astray"]
ACTS = st.one_of(
    st.tuples(st.just("judge"), st.booleans(), st.booleans()),
    st.tuples(st.just("shelve"), st.integers(1, 20), st.just(False)),
    *(
        st.tuples(st.just(word), st.just(0), st.just(False))
        for word in ("ack", "reset", "remove", "back", "end")
    ),
)


@settings(max_examples=300, deadline=None)
@given(st.sampled_from(KINDS), st.lists(ACTS, max_size=60))
def test_whatever_is_done_the_alarm_stays_legal(kind: str, acts: list[tuple[str, int, bool]]) -> None:
    """Each change is a legal step from the state before; what is shelved is back by its time; nothing that
    is quiet is raised; what latched is only let go by a reset."""
    table = AlarmTable()
    table.expect(kind, "concentrate", "scale-1", "table")
    name = f"table/{kind}/concentrate"
    state, latches, holds = State.NORMAL, False, (False, False)
    for at_s, (act, number, flag) in enumerate(acts, start=1):
        made = table.tick(at_s * NS) + _do(table, name, at_s, (act, number, flag))
        if act == "judge":
            holds = (bool(number), bool(number) and flag)
            latches |= kind in LATCHES and holds == (True, False)
        for change in made:
            assert LEGAL[state][Step(change.change)] == change.state
            assert change.change != "raised" or holds[0]
            state = State(change.state)
            latches &= change.change != "reset"
        alarm = table.get(name)
        assert alarm.state is state
        assert (alarm.latched is not None) == latches
        assert state is not State.SHELVED or alarm.shelved_until_ns > at_s * NS
        assert (state is State.SHELVED) == (alarm.shelved_until_ns > 0)
        by_hand = state in (State.SHELVED, State.OUT_OF_SERVICE)
        assert by_hand or (state is State.SUPPRESSED) == (holds == (True, True))
        assert by_hand or (state in (State.UNACKNOWLEDGED, State.ACKNOWLEDGED)) == (holds == (True, False))
        assert state is not State.NORMAL or not latches


def _do(table: AlarmTable, name: str, at_s: int, act: tuple[str, int, bool]) -> list[AlarmChange]:
    word, number, flag = act
    at_ns = at_s * NS
    kind = table.get(name).judged.kind
    try:
        match word:
            case "judge":
                return table.judge(
                    told(bool(number), suppressed=bool(number) and flag, kind=kind), "table", at_ns
                )
            case "shelve":
                return table.shelve(name, at_ns + number * NS, at_ns)
            case "ack":
                return table.acknowledge("all", at_ns)
            case "reset":
                return table.reset(name, at_ns)
            case "remove":
                return table.take_out_of_service(name, at_ns, why="x")
            case "back":
                return table.return_to_service(name, at_ns)
            case _:
                return table.unshelve(name, at_ns)
    except IllegalStep:
        return []
