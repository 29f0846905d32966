"""What the daemon publishes at a real broker: how things stand, retained, and what happened."""

from __future__ import annotations

import contextlib
import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from logger.app import Daemon
from logger.commands.demo import demo_daemon
from logger.core.entries import Finding
from logger.followers.mqtt.events import NO_EVENTS
from logger.journal.journal import JournalReader
from logger.settings import MqttSettings
from logger.simulator.demo import DemoBay
from tests.app.bays import running_bay
from tests.mosquitto import Mosquitto, Talker, needs_mosquitto, until

pytestmark = needs_mosquitto
ROOT = "tallydeck/foundry-bay"


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    with Mosquitto(tmp_path) as made:
        yield made


@pytest.fixture
def bay(tmp_path: Path) -> Iterator[DemoBay]:
    with running_bay(tmp_path) as made:
        yield made


@contextlib.contextmanager
def speaking(bay: DemoBay, home: Path, told: MqttSettings) -> Iterator[Daemon]:
    """A daemon of the simulated bay that publishes at that broker."""
    daemon = demo_daemon(bay, home / "journal", 0, bay.speed, lambda found: None)
    daemon.configuration = replace(daemon.configuration, mqtt=replace(told, topic=ROOT))
    daemon.start()
    try:
        yield daemon
    finally:
        daemon.stop()


class Ear(Talker):
    """Hears all that is published below the root."""

    def __init__(self, port: int, **told: Any) -> None:
        super().__init__(port, f"{ROOT}/#", **told)

    @property
    def kept(self) -> dict[str, str]:
        """The newest retained payload of each topic, below the root."""
        return {
            m.topic.removeprefix(f"{ROOT}/"): m.payload.decode()
            for m in list(self.heard)
            if not m.topic.startswith(f"{ROOT}/event/")
        }

    @property
    def events(self) -> dict[int, dict[str, Any]]:
        """What happened, by seq."""
        told = [json.loads(m.payload) for m in list(self.heard) if m.topic.startswith(f"{ROOT}/event/")]
        return {each["seq"]: each for each in told}


def events_in(daemon: Daemon) -> dict[int, Finding]:
    """What happened by the journal, by seq."""
    with JournalReader(daemon.journal_path) as reader:
        found = [each for each in reader.read() if isinstance(each, Finding)]
    return {each.seq: each for each in found if each.kind not in NO_EVENTS}


def test_a_bay_is_seen_and_heard_at_the_broker(broker: Mosquitto, bay: DemoBay, tmp_path: Path) -> None:
    with Ear(broker.port) as ear:
        with speaking(bay, tmp_path, MqttSettings("127.0.0.1", broker.port)) as daemon:
            until(lambda: ear.kept.get("status") == "online", "the word that it is there")
            daemon.loop.submit({"action": "open-lot", "lot": "L1", "material": "sweepings"}, "test")
            daemon.loop.submit({"action": "start-run", "lot": "L1"}, "test")
            until(lambda: any(e["kind"] == "run-opened" for e in ear.events.values()), "the run's start")
            shown = until(
                lambda: (told := json.loads(ear.kept.get("station/table", "{}"))).get("run") and told,
                "the run on the station's topic",
            )
            assert shown["lot"] == {"lot": "L1", "material": "sweepings"}
            assert json.loads(ear.kept["record"])["state"] == "recorded"
            follower = daemon.followers[0]
            until(lambda: follower.standing().ledger.pending == 0, "all told")
            assert follower.standing().ledger.balanced
        until(lambda: ear.kept["status"] == "offline", "the farewell")
        assert ear.events.keys() == events_in(daemon).keys()
