"""What happened, from the journal: every finding but those that only repeat how things stand.

At least once, in order within a batch, also after days without a broker. A message that the broker can't
ever take is set aside.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import deque
from dataclasses import dataclass, field

from logger.core.entries import Circumstance, Finding
from logger.core.tagging import Clockwork
from logger.core.walltime import rfc3339
from logger.followers.mqtt.messages import Event
from logger.followers.progress import Progress
from logger.journal.cursors import Aside
from logger.journal.reader import JournalReader

NO_EVENTS = frozenset({"tally", "rates"})
"""Findings that say again and again how things stand: that is what the retained topics are for."""
TELLS_TIME = frozenset({"boot", "clock"})
BATCH = 5_000
"""Entries; most are readings, which are counted only."""
MOST_EVENTS = 200
"""In one batch, so that what happens now never waits long for what happened then."""


@dataclass(slots=True)
class Batch:
    """A range of entries (both ends included), and what of it is to be sent, by seq once it is on its way."""

    first: int
    last: int
    read: int
    waiting: deque[Finding]
    tells_time: bool = False
    flying: dict[int, Finding] = field(default_factory=dict)
    aside: list[Aside] = field(default_factory=list)
    sent: int = 0

    @property
    def done(self) -> bool:
        return not self.waiting and not self.flying

    def back(self, seq: int) -> None:
        """This one is to be sent again, before what has not been sent yet."""
        self.waiting.appendleft(self.flying.pop(seq))

    def lost(self) -> None:
        """The connection broke: so for all that was on its way."""
        for seq in sorted(self.flying, reverse=True):
            self.back(seq)

    def put_aside(self, finding: Finding, why: str, text: str) -> None:
        """The broker will never take this one."""
        self.aside.append(Aside(finding.seq, finding.at_ns, why, text))


def next_batch(progress: Progress, reader: JournalReader) -> Batch | None:
    """The next entries to be done with, those of now before the backlog; they stay pending until settled."""
    found = progress.live(BATCH) or progress.backlog(BATCH)
    if found is None:
        return None
    first, last = found
    others, readings = reader.others(first - 1, last)
    events = [each for each in others if isinstance(each, Finding) and each.kind not in NO_EVENTS]
    if len(events) > MOST_EVENTS:
        events = events[:MOST_EVENTS]
        last = events[-1].seq
        others, readings = reader.others(first - 1, last)
    tells_time = any(isinstance(each, Circumstance) and each.kind in TELLS_TIME for each in others)
    return Batch(first, last, len(others) + readings, deque(events), tells_time)


def payload_of(finding: Finding, clockwork: tuple[Clockwork, ...]) -> str:
    """The message; the wall clock's time as far as it is known now."""
    number = bisect_right(clockwork, finding.at_ns, key=lambda piece: piece.from_ns)
    shift_ns = clockwork[number - 1].shift_ns if number else 0
    _, kind, subject, cause, data, seq = finding
    at = rfc3339(max(0, finding.at_ns + shift_ns))
    return Event(seq=seq, cause=cause, at=at, kind=kind, subject=subject, data=data).model_dump_json()
