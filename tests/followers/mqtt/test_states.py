"""What is kept at the broker of how the bay stands."""

from __future__ import annotations

import json

import pytest

from logger.core.alarm_states import State
from logger.core.description import Bay, Feed, Station
from logger.followers.mqtt.messages import AlarmState
from logger.followers.mqtt.states import Alarms, summed, with_head
from logger.followers.mqtt.topics import Topics
from tests.followers.mqtt.bays import alarm, snapshot

TOPICS = Topics("bay", Bay("b", (Station("table", Feed(), ()), Station("spiral", Feed(), ())), ()))
SLOW = "table/outlet-slow/heavy"
TOPIC = "bay/alarm/table/outlet-slow/heavy"


@pytest.mark.parametrize(
    ("states", "beacon", "sounder", "unseen", "standing"),
    [
        ([], "off", "off", "0", "0"),
        ([State.UNACKNOWLEDGED], "flashing", "on", "1", "1"),
        ([State.ACKNOWLEDGED], "steady", "off", "0", "1"),
        ([State.RETURNED], "flashing", "on", "1", "0"),
        ([State.LATCHED], "steady", "off", "0", "1"),
        ([State.SHELVED, State.SUPPRESSED, State.OUT_OF_SERVICE], "off", "off", "0", "0"),
        ([State.ACKNOWLEDGED, State.UNACKNOWLEDGED, State.SHELVED], "flashing", "on", "1", "2"),
    ],
)
def test_a_beacon_follows_the_states_of_alarms(
    states: list[State], beacon: str, sounder: str, unseen: str, standing: str
) -> None:
    told = [alarm(f"kind/{number}", state) for number, state in enumerate(states)]
    made = summed(TOPICS, snapshot(*told))
    assert made["bay/beacon"] == beacon
    assert made["bay/sounder"] == sounder
    assert (made["bay/alarms/unacknowledged"], made["bay/alarms/standing"]) == (unseen, standing)


def test_a_station_has_a_beacon_of_its_own() -> None:
    stations = [{"name": "table"}, {"name": "spiral"}]
    made = summed(TOPICS, snapshot(alarm(SLOW, State.UNACKNOWLEDGED, "table"), stations=stations))
    assert made["bay/station/table/beacon"] == "flashing"
    assert made["bay/station/spiral/beacon"] == "off"


def test_every_alarm_that_could_be_has_a_topic() -> None:
    alarms = Alarms(TOPICS)
    alarms.know([alarm(SLOW, "normal", "table"), alarm("record-at-risk/journal", "normal")])
    made = alarms.states(snapshot(alarm(SLOW, State.UNACKNOWLEDGED, "table")))
    assert json.loads(made[TOPIC])["state"] == "unacknowledged"
    quiet = json.loads(made["bay/alarm/record-at-risk/journal"])
    assert (quiet["state"], quiet["what"], quiet["since"]) == ("normal", "", None)


def test_an_alarm_nobody_knew_of_has_one_from_then_on() -> None:
    alarms = Alarms(TOPICS)
    assert TOPIC in alarms.states(snapshot(alarm(SLOW, State.UNACKNOWLEDGED, "table")))
    assert json.loads(alarms.states(snapshot())[TOPIC])["state"] == "normal"


def test_an_alarm_is_not_recorded_only_where_it_changed_since_the_journal_fails() -> None:
    alarms, other = Alarms(TOPICS), "bay/alarm/table/outlet-slow/light"
    before = alarm("table/outlet-slow/light", State.UNACKNOWLEDGED, "table")
    now = alarm(SLOW, State.UNACKNOWLEDGED, "table")
    alarms.states(snapshot(before))
    failing = alarms.states(snapshot(before, now, recorded=False))
    assert [json.loads(failing[each])["recorded"] for each in (TOPIC, other)] == [False, True]
    mended = alarms.states(snapshot(before, now))
    assert [json.loads(mended[each])["recorded"] for each in (TOPIC, other)] == [True, True]


def test_the_same_state_is_the_same_text_whenever_it_is_looked_at() -> None:
    alarms = Alarms(TOPICS)
    told = alarm(SLOW, State.UNACKNOWLEDGED, "table")
    assert alarms.states(snapshot(told, seq=7)) == alarms.states(snapshot(told, seq=8))


def test_a_payload_gets_its_head_and_a_plain_one_none() -> None:
    made = Alarms(TOPICS).states(snapshot(alarm(SLOW, State.UNACKNOWLEDGED, "table")))
    whole = AlarmState.model_validate_json(with_head(made[TOPIC], 9, "2026-03-01T10:00:02.000Z"))
    assert (whole.seq, whole.at, whole.id) == (9, "2026-03-01T10:00:02.000Z", SLOW)
    assert with_head("flashing", 9, "x") == "flashing"
