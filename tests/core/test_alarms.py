"""The states of alarms, after ISA-18.2 (the state model from memory)."""

from __future__ import annotations

import itertools
import json
import pickle

import pytest

from logger.core.alarms import LEGAL, AlarmTable, IllegalStep, State, Step, after, alarm_id
from logger.core.rules.contract import Judgement

NS = 10**9


def told(active: bool, *, suppressed: bool = False, subject: str = "concentrate") -> Judgement:
    evidence = {"suppressed_by": "the feed"} if suppressed else {"nats": 12.5}
    return Judgement(
        "outlet-not-delivering", subject, "scale-1", active, 100, "what", "do", evidence, suppressed
    )


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
    ("suppressed", "unsuppressed", "normal"),
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


def test_random_walks_never_leave_the_table() -> None:
    """Whatever is judged and done, each change is a legal step from the state before."""
    table = AlarmTable()
    states = {}
    script = itertools.product((True, False), (True, False), ("ack", "shelve", "tick", ""))
    for at_s, (active, suppressed, act) in enumerate(list(script) * 7, start=1):
        made = table.judge(told(active, suppressed=active and suppressed), "table", at_s * NS)
        if act == "ack":
            made += table.acknowledge("all", at_s * NS)
        elif act == "shelve":
            made += _try_shelve(table, at_s)
        else:
            made += table.tick(at_s * NS)
        for change in made:
            before = states.get(change.id, State.NORMAL)
            assert LEGAL[before][Step(change.change)] == change.state
            states[change.id] = State(change.state)
    assert len(states) == 1


def _try_shelve(table: AlarmTable, at_s: int) -> list[object]:
    try:
        return list(table.shelve(ID, (at_s + 3) * NS, at_s * NS))
    except IllegalStep:
        return []
