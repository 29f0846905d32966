"""Helpers: a daemon that publishes at a broker, and somebody who listens there."""

from __future__ import annotations

import contextlib
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from logger.app import Daemon
from logger.core.entries import Circumstance, Finding
from logger.journal.journal import JournalReader
from logger.settings import loads
from tests.mosquitto import Talker, until

ROOT = "tallydeck/foundry-bay"
CONFIGURATION = """
[bay]
name = "Foundry bay"
[instruments.concentrate]
resolution = "5 g"
dialect = "mqtt"
unit = "kg"
mqtt = {{ topic = "bay/concentrate" }}
[stations.table.outlets.concentrate]
[stations.table.outlets.spill-tray]
scale = false
[stations.table.outlets.Spill_tray]
scale = false
[board]
port = 0
[journal]
directory = "{home}/journal"
[mqtt]
host = "{host}"
port = {port}
{more}
"""


def quiet_daemon(
    port: int, home: Path, more: str = "", host: str = "127.0.0.1", without: str = "", **env: str
) -> Daemon:
    """A daemon of a bay with one scale that is read by MQTT; not started."""
    text = CONFIGURATION.replace(without, "").format(home=home, port=port, host=host, more=more)
    return Daemon(loads(text, env={"HOME": str(home), **env}))


@contextlib.contextmanager
def started(daemon: Daemon) -> Iterator[Daemon]:
    daemon.start()
    try:
        yield daemon
    finally:
        daemon.stop()


def quiet(port: int, home: Path, more: str = "", **told: str) -> contextlib.AbstractContextManager[Daemon]:
    return started(quiet_daemon(port, home, more, **told))


class Ear(Talker):
    """Hears all that is published below the root."""

    def __init__(self, port: int, **told: Any) -> None:
        super().__init__(port, f"{ROOT}/#", **told)

    @property
    def kept(self) -> dict[str, str]:
        """The newest payload of each topic that is retained, below the root; none where it was cleared."""
        told = {
            m.topic.removeprefix(f"{ROOT}/"): m.payload.decode()
            for m in list(self.heard)
            if not m.topic.startswith(f"{ROOT}/event/")
        }
        return {topic: payload for topic, payload in told.items() if payload}

    def told(self, topic: str) -> dict[str, Any]:
        """The JSON that is kept on a topic; empty where there is none yet."""
        return json.loads(self.kept.get(topic, "{}"))

    @property
    def events(self) -> dict[int, dict[str, Any]]:
        """What happened, by seq."""
        told = [json.loads(m.payload) for m in list(self.heard) if m.topic.startswith(f"{ROOT}/event/")]
        return {each["seq"]: each for each in told}


def events_in(daemon: Daemon) -> dict[int, Finding]:
    """What happened by the journal, by seq; tallies and rates happen all the time."""
    with JournalReader(daemon.journal_path) as reader:
        found = [each for each in reader.read() if isinstance(each, Finding)]
    return {each.seq: each for each in found if each.kind not in ("tally", "rates")}


def alarm(daemon: Daemon, active: bool, message: str = "The store does not answer") -> None:
    """Have an alarm raised or end, at once."""
    told = {"state": "behind", "message": message, "do": "Start it."} if active else {"state": "well"}
    daemon.loop.put(Circumstance(daemon.clock.now_ns(), "follower", "store", told))


def await_all_told(daemon: Daemon, timeout_s: float = 40.0) -> None:
    """Until all that was put in before is told, and nothing else is owed; the ledger is right."""
    daemon.loop.alarms()  # it takes and commits what was put in before it answers
    with JournalReader(daemon.journal_path) as reader:
        last = reader.last_seq

    def done() -> bool:
        ledger = daemon.followers[0].standing().ledger
        assert ledger.balanced, ledger
        return ledger.pending == 0 and ledger.known >= last

    until(done, "everything told", timeout_s)


def assert_right(daemon: Daemon, port: int, **told: Any) -> None:
    """What the broker keeps is how the bay stands: asked by somebody who comes just now."""
    with Ear(port, **told) as ear:
        until(lambda: _shown(ear) == _stands(daemon), "what the broker keeps being how the bay stands", 20.0)


def _stands(daemon: Daemon) -> dict[str, Any]:
    alarms = {each["id"]: each["state"] for each in daemon.loop.alarms()["alarms"]}
    states = list(alarms.values())
    unseen = sum(state in ("unacknowledged", "returned-unacknowledged") for state in states)
    standing = sum(state in ("unacknowledged", "acknowledged", "latched") for state in states)
    snapshot = daemon.loop.snapshot()
    run = snapshot["stations"][0]["run"]
    return {
        "status": "online",
        "record": snapshot["recording"]["state"],
        "run": run and run["run"],
        "alarms": alarms,
        "unseen": str(unseen),
        "standing": str(standing),
        "beacon": "flashing"
        if unseen
        else ("steady" if "acknowledged" in states or "latched" in states else "off"),
        "sounder": "on" if unseen else "off",
    }


def _shown(ear: Ear) -> dict[str, Any]:
    kept = ear.kept
    alarms = [json.loads(payload) for topic, payload in kept.items() if topic.startswith("alarm/")]
    run = ear.told("station/table").get("run")
    return {
        "status": kept.get("status"),
        "record": ear.told("record").get("state"),
        "run": run and run["run"],
        "alarms": {each["id"]: each["state"] for each in alarms},
        "unseen": kept.get("alarms/unacknowledged"),
        "standing": kept.get("alarms/standing"),
        "beacon": kept.get("beacon"),
        "sounder": kept.get("sounder"),
    }
