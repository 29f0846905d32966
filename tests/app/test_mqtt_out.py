"""What the daemon publishes at a real broker: how things stand, retained, and what happened."""

from __future__ import annotations

import json
import logging
import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import jsonschema
import pytest

from logger.commands.check import probe_ports
from logger.commands.demo import demo_daemon
from logger.core.entries import Circumstance
from logger.followers.mqtt.messages import BY_TOPIC
from logger.settings import MqttSettings
from tests.app.bays import running_bay
from tests.app.speaking import ROOT, Ear, alarm, assert_right, await_all_told, events_in, quiet, started
from tests.mosquitto import Mosquitto, Talker, needs_mosquitto, until

pytestmark = needs_mosquitto
WILL = "Will message specified ("
HOUSE = Path(__file__).parents[2]


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    with Mosquitto(tmp_path) as made:
        yield made


def as_topic(topic: str) -> str:
    """A topic below the root as it is written of, with + for names."""
    for written in BY_TOPIC:
        if re.fullmatch(written.replace("+", "[^/]+"), topic):
            return written
    raise AssertionError(f"nothing is written of {topic}")


def test_everything_a_bay_publishes_keeps_to_the_schema_and_is_written_of(
    broker: Mosquitto, tmp_path: Path
) -> None:
    with running_bay(tmp_path) as bay, Ear(broker.port) as ear:
        daemon = demo_daemon(bay, tmp_path / "journal", 0, bay.speed, lambda found: None)
        told = MqttSettings("127.0.0.1", broker.port, topic=ROOT)
        daemon.configuration = replace(daemon.configuration, mqtt=told)
        with started(daemon):
            daemon.loop.submit({"action": "open-lot", "lot": "L1", "material": "sweepings"}, "test")
            daemon.loop.submit({"action": "start-run", "lot": "L1"}, "test")
            until(lambda: ear.told("station/table").get("run"), "the run on the station's topic")
            until(
                lambda: (ear.told("station/table/outlet/tailings").get("delivered_kg") or 0) > 0.1,
                "mass",
                60.0,
            )
            daemon.loop.submit({"action": "end-run"}, "test")
            until(lambda: "run-closed" in {e["kind"] for e in ear.events.values()}, "the run's end", 30.0)
            await_all_told(daemon)
            assert_right(daemon, broker.port)
        until(lambda: ear.kept["status"] == "offline", "the farewell")
        assert ear.events.keys() == events_in(daemon).keys()
        heard = [(m.topic.removeprefix(f"{ROOT}/"), m.payload.decode()) for m in ear.heard]
    validator = jsonschema.Draft202012Validator(json.loads((HOUSE / "config/mqtt.schema.json").read_text()))
    for topic, payload in heard:
        plain = not payload.startswith("{")
        validator.validate({"topic": topic, "payload": payload if plain else json.loads(payload)})
    assert {as_topic(topic) for topic, _ in heard} == BY_TOPIC.keys()


def test_no_figure_is_sent_more_than_once_a_second(broker: Mosquitto, tmp_path: Path) -> None:
    with running_bay(tmp_path) as bay, Ear(broker.port) as ear:
        daemon = demo_daemon(bay, tmp_path / "journal", 0, bay.speed, lambda found: None)
        told = MqttSettings("127.0.0.1", broker.port, topic=ROOT)
        daemon.configuration = replace(daemon.configuration, mqtt=told)

        def times() -> int:
            return sum(m.topic == f"{ROOT}/station/table" for m in list(ear.heard))

        with started(daemon):
            until(lambda: times() >= 5, "five of them")
            stamps = [m.timestamp for m in ear.heard if m.topic == f"{ROOT}/station/table"]
    assert stamps[-1] - stamps[0] > 0.8 * (len(stamps) - 1)


def test_an_alarm_is_seen_and_heard_and_acknowledged(broker: Mosquitto, tmp_path: Path) -> None:
    with Ear(broker.port) as ear, quiet(broker.port, tmp_path) as daemon:
        until(lambda: ear.kept.get("beacon") == "off", "a quiet beacon")
        alarm(daemon, True)
        until(lambda: ear.kept["beacon"] == "flashing", "the flash")
        until(lambda: ear.kept["sounder"] == "on", "the sound")
        told = ear.told("alarm/store-behind/store")
        assert (told["state"], told["what"], told["recorded"]) == (
            "unacknowledged",
            "The store does not answer",
            True,
        )
        daemon.loop.submit({"action": "acknowledge", "alarm": "all"}, "test")
        until(lambda: (ear.kept["beacon"], ear.kept["sounder"]) == ("steady", "off"), "a steady beacon")
        assert_right(daemon, broker.port)
        alarm(daemon, False)
        until(lambda: ear.kept["beacon"] == "off", "a quiet beacon")
        await_all_told(daemon)
        assert ear.events.keys() == events_in(daemon).keys()
        (raised,) = (e for e in ear.events.values() if e["data"].get("state") == "raised")
        assert (raised["kind"], raised["subject"]) == ("alarm", "store-behind/store")


def test_an_alarm_goes_out_at_once_while_the_journal_can_not_be_written(
    broker: Mosquitto, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from logger.journal.errors import JournalError

    with Ear(broker.port) as ear, quiet(broker.port, tmp_path) as daemon:
        until(lambda: ear.kept.get("beacon") == "off", "a quiet beacon")
        sound = daemon.journal.append

        def full(*told: object) -> None:
            raise JournalError("the disk is full", "full")

        monkeypatch.setattr(daemon.journal, "append", full)
        until(lambda: ear.told("record").get("state") == "not-recorded", "the word of the record")
        alarm(daemon, True)
        told = until(lambda: (seen := ear.told("alarm/store-behind/store")).get("what") and seen, "the alarm")
        assert told["recorded"] is False
        assert "store-behind/store" not in {e["subject"] for e in ear.events.values()}
        monkeypatch.setattr(daemon.journal, "append", sound)
        until(lambda: ear.told("alarm/store-behind/store")["recorded"], "the alarm in the journal")
        await_all_told(daemon)
        assert ear.events.keys() == events_in(daemon).keys()
        assert_right(daemon, broker.port)


def test_two_names_that_look_alike_have_two_topics(broker: Mosquitto, tmp_path: Path) -> None:
    with Ear(broker.port) as ear, quiet(broker.port, tmp_path):

        def outlets() -> dict[str, str]:
            kept = [t for t in ear.kept if t.startswith("station/table/outlet/spill-tray")]
            return {ear.told(topic)["outlet"]: topic.rpartition("/")[2] for topic in kept}

        told = until(lambda: len(outlets()) == 2 and outlets(), "both")
        assert told["spill-tray"] == "spill-tray"
        assert re.fullmatch("spill-tray-[0-9a-f]{6}", told["Spill_tray"])


def test_a_station_that_is_no_longer_described_is_cleared(broker: Mosquitto, tmp_path: Path) -> None:
    with Ear(broker.port) as ear:
        with quiet(broker.port, tmp_path):
            until(lambda: ear.told("station/table/outlet/spill-tray"), "an outlet")
        other = '\n[stations.spiral]\nresolution = "5 g"\noutlets = ["heavy"]\n[instruments.heavy]\n'
        other += 'resolution = "5 g"\ndialect = "mqtt"\nunit = "kg"\nmqtt = { topic = "bay/heavy" }'
        with quiet(broker.port, tmp_path, other):
            until(lambda: ear.told("station/spiral/outlet/heavy"), "another station")
        fewer = "[stations.table.outlets.spill-tray]\nscale = false\n"
        with quiet(broker.port, tmp_path, without=fewer):
            until(lambda: "station/spiral" not in ear.kept, "the end of the old station")
            until(lambda: "station/table/outlet/spill-tray-" not in str(ear.kept), "the end of an outlet")
            assert ear.told("station/table/outlet/spill-tray")["outlet"] == "Spill_tray"


def test_nothing_is_published_where_it_is_not_wanted(broker: Mosquitto, tmp_path: Path) -> None:
    with Ear(broker.port) as ear:
        with quiet(broker.port, tmp_path, "publish = false") as daemon:
            until(lambda: daemon.ports[0].health().link == "up", "the link")
            assert daemon.followers == []
            alarm(daemon, True)
            until(lambda: daemon.loop.snapshot()["alarms"], "the alarm")
        assert ear.heard == []
        assert WILL not in broker.log


def test_a_second_program_beside_the_daemon_says_nothing_of_itself(broker: Mosquitto, tmp_path: Path) -> None:
    with Ear(broker.port) as ear, quiet(broker.port, tmp_path) as daemon:
        until(lambda: ear.kept.get("status") == "online", "the word that it is there")
        probe_ports(daemon.configuration, 0.3)
        assert [m.payload for m in ear.heard if m.topic == f"{ROOT}/status"] == [b"online"]
        assert broker.log.count(WILL) == 1


def test_the_wall_clock_that_was_set_late_tells_the_time_of_an_event(
    broker: Mosquitto, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with Ear(broker.port) as ear, quiet(broker.port, tmp_path) as daemon:
        until(lambda: ear.kept.get("status") == "online", "the word that it is there")
        step_ns = 3600 * 10**9
        monkeypatch.setattr(daemon.loop._clock, "step_ns", lambda: step_ns)
        until(lambda: daemon.loop.snapshot()["wall_step_s"] == 3600.0, "the new time")
        alarm(daemon, True)
        await_all_told(daemon)
        (told,) = (e for e in ear.events.values() if e["kind"] == "alarm")
        found = events_in(daemon)[told["seq"]]
    from logger.core.walltime import rfc3339

    assert told["at"] == rfc3339(found.at_ns + step_ns)


def test_events_go_on_where_they_stopped_after_a_restart_of_the_daemon(
    broker: Mosquitto, tmp_path: Path
) -> None:
    with Ear(broker.port) as ear:
        for active in (True, False, True):
            with quiet(broker.port, tmp_path) as daemon:
                until(lambda: daemon.followers[0].standing().state == "live", "the connection")
                alarm(daemon, active)
                await_all_told(daemon)
        told = [json.loads(m.payload)["seq"] for m in ear.heard if "/event/" in m.topic]
        assert sorted(told) == sorted(set(told))
        assert set(told) == set(events_in(daemon))


def test_a_range_can_be_sent_again(broker: Mosquitto, tmp_path: Path) -> None:
    with Ear(broker.port) as ear, quiet(broker.port, tmp_path) as daemon:
        alarm(daemon, True)
        until(lambda: any(e["kind"] == "alarm" for e in ear.events.values()), "the alarm")
        await_all_told(daemon)
        seqs = sorted(ear.events)
        before = len(ear.heard)
        assert daemon.followers[0].again(1, seqs[-1]) == seqs[-1]
        await_all_told(daemon)
        again = [json.loads(m.payload)["seq"] for m in ear.heard[before:] if "/event/" in m.topic]
        assert set(seqs) <= set(again)


def test_a_fault_in_the_figures_is_logged_and_events_go_on(
    broker: Mosquitto, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def faulty(*told: object) -> dict[str, str]:
        raise ZeroDivisionError("on purpose")

    monkeypatch.setattr("logger.followers.mqtt.states.stations", faulty)
    with caplog.at_level(logging.ERROR), Ear(broker.port) as ear, quiet(broker.port, tmp_path) as daemon:
        until(lambda: ear.kept.get("status") == "online", "the word that it is there")
        alarm(daemon, True)
        until(lambda: ear.kept.get("beacon") == "flashing", "the flash")
        until(lambda: "store-behind/store" in {e["subject"] for e in ear.events.values()}, "the event")
    assert "the figures" in caplog.text


def test_an_entry_that_cannot_be_an_action_by_mqtt_is_not_one_by_default(
    broker: Mosquitto, tmp_path: Path
) -> None:
    with Talker(broker.port) as talker, quiet(broker.port, tmp_path) as daemon:
        until(lambda: daemon.ports[0].health().link == "up", "the link")
        assert daemon.by_mqtt is None
        talker.say(f"{ROOT}/act", '{"action": "open-lot", "lot": "L1"}')
        talker.say("bay/concentrate", "1")
        until(lambda: daemon.ports[0].health().frames, "a later message")
        assert daemon.loop.lots() == []


def test_no_answer_passes_for_a_word_of_the_daemon(broker: Mosquitto, tmp_path: Path) -> None:
    with Ear(broker.port) as ear, quiet(broker.port, tmp_path, "actions = true") as daemon:
        until(lambda: daemon.by_mqtt is not None and daemon.by_mqtt.listening, "the daemon's ear")
        until(lambda: ear.kept.get("beacon") == "off", "a quiet beacon")
        ear.say(f"{ROOT}/act", '{"action": "note", "text": "x"}', answer_to=f"{ROOT}/beacon")
        until(lambda: "answer" in ear.kept, "the answer")
        assert ear.kept["beacon"] == "off"
        ear.say(f"{ROOT}/act", '{"action": "note", "text": "x"}', answer_to=f"{ROOT}/answer/panel")
        until(lambda: "answer/panel" in ear.kept, "the answer to the panel")


def test_a_circumstance_of_another_follower_is_none_of_ours(broker: Mosquitto, tmp_path: Path) -> None:
    with quiet(broker.port, tmp_path) as daemon:
        until(lambda: daemon.followers[0].standing().state == "live", "the connection")
        daemon.loop.put(Circumstance(daemon.clock.now_ns(), "follower", "store", {"state": "paused"}))
        await_all_told(daemon)
        assert daemon.followers[0].standing().message == ""
