"""What ought to be outside by now, in a store and at a broker, as a journal tells it; for comparing."""

from __future__ import annotations

import json
import re
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from logger import settings
from logger.core.entries import Finding, Reading, Record
from logger.core.tagging import Spans, tagging
from logger.followers.progress import Ledger
from logger.followers.store.places import places_of
from logger.followers.store.points import Meaning
from logger.followers.store.times import Times
from logger.journal.journal import JournalReader
from logger.replay import from_journal
from tests.servers import Held, Key

PLAIN = ("tally", "rates")
"""Findings that are no events: they say again and again how things stand."""
_TAGS = re.compile(r"((?:\\.|[^\\,= ])+)=((?:\\.|[^\\,= ])+)")
_FIELD = re.compile(r'((?:\\.|[^\\,= ])+)=("(?:\\.|[^"\\])*"|[^,]+)(?:,|$)')


def parsed(line: str) -> tuple[Key, dict[str, Any]]:
    """A line of the InfluxDB line protocol (its reference, "Line protocol": tag and field syntax)."""
    found = re.fullmatch(r"((?:\\.|[^\\, ])+)((?:,(?:\\.|[^\\ ])*)?) (.*) (\d+)", line, re.DOTALL)
    assert found is not None, line
    tags = tuple(sorted((_plain(name), _plain(value)) for name, value in _TAGS.findall(found[2])))
    fields = {_plain(name): _value(value) for name, value in _FIELD.findall(found[3])}
    return Key(_plain(found[1]), tags, int(found[4])), fields


def _plain(text: str) -> str:
    return re.sub(r"\\([,= ])", r"\1", text)


def _value(text: str) -> Any:
    if text.startswith('"'):
        return re.sub(r'\\(["\\])', r"\1", text[1:-1])
    if text in ("true", "false"):
        return text == "true"
    return int(text[:-1]) if text.endswith("i") else float(text)


@dataclass(frozen=True, slots=True)
class Pending:
    """Entries that a follower is not done with: these ranges, and all that it does not know of."""

    ranges: tuple[tuple[int, int], ...] = ()
    known: int | None = None

    def holds(self, seq: int) -> bool:
        return (self.known is not None and seq > self.known) or any(a <= seq <= b for a, b in self.ranges)


def events(records: Iterable[Record]) -> set[int]:
    """The seqs of all that is told of at a broker."""
    return {record.seq for record in records if isinstance(record, Finding) and record.kind not in PLAIN}


@dataclass(frozen=True, slots=True)
class Told:
    """All that a journal tells."""

    records: list[Record]
    points: dict[int, Held]
    """Seq -> the points of that entry, by their key."""
    ledgers: dict[str, Ledger]
    """Of each follower, as kept."""
    pending: dict[str, Pending]
    """What each follower has still to do, as kept."""

    def held(self, but: Pending = Pending()) -> Held:
        """All points but those of these entries."""
        return {
            key: fields
            for seq, points in self.points.items()
            if not but.holds(seq)
            for key, fields in points.items()
        }

    @property
    def readings(self) -> int:
        return sum(isinstance(record, Reading) for record in self.records)

    @property
    def events(self) -> set[int]:
        return events(self.records)


def read(journal: Path, configuration: Path) -> Told:
    """Fold a journal again from its first entry, apart from the daemon that wrote it."""
    told = settings.load(configuration)
    with JournalReader(journal) as reader:
        records = list(reader.read())
        bay = from_journal(
            told.bay, (r for r in records if not isinstance(r, Finding)), lambda found: None
        ).bay
        kept = json.loads(reader.cursor("store.spans")[1] or '{"times": []}')
        times = Times.from_json(kept["times"])
        meaning = Meaning(told.bay.name, Spans(tagging(bay).runs), places_of(reader, told.bay), times)
        states = {name: reader.cursor(name)[1] for name in ("store", "broker")}
        cursors = {name: json.loads(state) for name, state in states.items() if state}
    points: dict[int, Held] = {}
    for line in meaning.lines(records):
        key, fields = parsed(line.text)
        mine = points.setdefault(line.seq, {})
        assert key not in mine, f"entry {line.seq} has two points of one key: {key}"
        mine[key] = fields
    ledgers = {name: _ledger(cursor) for name, cursor in cursors.items()}
    pending = {
        name: Pending(tuple((first, last) for first, last in cursor["pending"]), cursor["known"])
        for name, cursor in cursors.items()
    }
    return Told(records, points, ledgers, pending)


def _ledger(cursor: dict[str, Any]) -> Ledger:
    pending = sum(last - first + 1 for first, last in cursor["pending"])
    known, again, delivered = cursor["known"], cursor["again"], cursor["delivered"]
    return Ledger(known, again, delivered, pending, cursor["aside"], cursor["gone"])


class AnyOf(frozenset[Any]):
    """Values of which a store keeps one."""


def numbers_only(points: Held) -> Held:
    """As a store of numbers and milliseconds holds them: a boolean is 1 or 0, a string nothing (or 0); of
    several points in one millisecond it keeps one value, field by field, whichever it likes."""
    held: Held = {}
    for (measurement, tags, at_ns), fields in points.items():
        mine = held.setdefault(Key(measurement, tags, at_ns // 1_000_000 * 1_000_000), {})
        for name, value in fields.items():
            if not isinstance(value, str):
                mine[name] = AnyOf({*mine.get(name, ()), float(value)})
    return held


def lost_and_strange(store: Held, surely: Held, at_most: Held) -> tuple[list[Key], list[Key]]:
    """Keys that are missing or have other values; keys that nobody wrote."""
    lost = [key for key, fields in surely.items() if not _same(store.get(key, {}), fields)]
    strange = [key for key in store if key not in at_most]
    return lost, strange


def _same(found: dict[str, Any], told: dict[str, Any]) -> bool:
    return found.keys() >= told.keys() and all(
        found[name] in value if isinstance(value, AnyOf) else found[name] == value
        for name, value in told.items()
    )
