"""Many bays share a broker and a store: each is found there under its own name, whole, and no other."""

from __future__ import annotations

import json
import time
from pathlib import Path

import pytest

from logger.journal.journal import JournalReader
from tests import outside
from tests.app.fleet import Fleet, Member, links
from tests.mosquitto import Mosquitto, Talker, needs_mosquitto, until
from tests.servers import TOKEN, Held, Influx, needs_influx

pytestmark = [needs_mosquitto, needs_influx]


def share(home: Path, count: int, seconds: float) -> None:
    """So many daemons, each a process with seven instruments and a run, at one broker and one store."""
    (home / "token").write_text(TOKEN)
    with (
        Influx(home) as store,
        Mosquitto(home, "allow_anonymous true\nmax_queued_messages 0") as broker,
        Talker(broker.port, "#") as listener,
        Fleet(home, count, links(store=store.url, token=str(home / "token"), broker=broker.port)) as fleet,
    ):
        time.sleep(seconds)  # readings come meanwhile; how many does not matter
        fleet.still()
        for member in fleet.members:
            upto = _last(member)
            until(lambda m=member, to=upto: _delivered(m, to), f"all of {member.name} in the store", 30.0)
        fleet.end()
        held = store.held()
        heard = list(listener.heard)
        for member in fleet.members:
            in_the_store(held, member)
            at_the_broker([(m.topic, m.payload, m.retain) for m in heard], member)
        assert {dict(key.tags)["bay"] for key in held} == {member.name for member in fleet.members}
        levels = {m.topic.split("/")[1] for m in heard if m.topic.startswith("tallydeck/")}
        assert levels == {member.level for member in fleet.members}
        assert not [m.topic for m in heard if not m.topic.startswith("tallydeck/")]


def _last(member: Member) -> int:
    with JournalReader(member.journal) as reader:
        return reader.last_seq


def _delivered(member: Member, upto: int) -> bool:
    """Whether the store's follower is done with all entries up to that one, as the journal keeps it."""
    with JournalReader(member.journal) as reader:
        told = json.loads(reader.cursor("store")[1] or '{"known": 0, "pending": []}')
    return told["known"] >= upto and not any(first <= upto for first, _ in told["pending"])


def in_the_store(held: Held, member: Member) -> None:
    told = outside.read(member.journal, member.configuration)
    mine = {key: fields for key, fields in held.items() if ("bay", member.name) in key.tags}
    assert outside.lost_and_strange(mine, told.held(told.pending["store"]), told.held()) == ([], [])
    assert all(told.ledgers[name].balanced for name in ("store", "broker")), told.ledgers
    readings = [key for key in mine if key.measurement == "reading"]
    assert {dict(key.tags)["lot"] for key in readings} <= {"none", f"L-{member.number:02}"}
    assert len(readings) > 50


def at_the_broker(heard: list[tuple[str, bytes, bool]], member: Member) -> None:
    root = f"tallydeck/{member.level}"
    told = outside.read(member.journal, member.configuration)
    events = [json.loads(payload) for topic, payload, _ in heard if topic.startswith(f"{root}/event/")]
    seqs = {event["seq"] for event in events}
    assert seqs <= told.events
    assert not [seq for seq in told.events - seqs if not told.pending["broker"].holds(seq)]
    assert {event["data"].get("lot") for event in events} - {None} == {f"L-{member.number:02}"}
    stations = [
        json.loads(payload) for topic, payload, _ in heard if topic == f"{root}/station/table" and payload
    ]
    assert {each["lot"]["lot"] for each in stations if each["lot"]} == {f"L-{member.number:02}"}
    states = [payload for topic, payload, _ in heard if topic == f"{root}/status"]
    assert (states[0], states[-1]) == (b"online", b"offline")


@pytest.mark.timeout(180)
def test_three_bays_do_not_collide(tmp_path: Path) -> None:
    share(tmp_path, 3, 3.0)


@pytest.mark.full
@pytest.mark.timeout(600)
def test_twenty_bays_do_not_collide(tmp_path: Path) -> None:
    share(tmp_path, 20, 30.0)
