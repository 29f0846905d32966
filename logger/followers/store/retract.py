"""Taking back points that were sent under a run or lot which was corrected since.

A job is one stretch of a station's time that had another tag. It is done when the entries in it have been
sent under their new tag, and the points under the old one were deleted, or marked ``withdrawn=1`` where the
store can't delete. Doing a job twice changes nothing, so a crash at any moment does no harm.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from itertools import pairwise
from typing import Any, NamedTuple

from logger.core.tagging import SLOT_NS, Changed, Spans, Tag
from logger.core.walltime import rfc3339
from logger.followers.store.findings import LATE
from logger.followers.store.points import RETRACTABLE, moment, tag_value
from logger.followers.store.times import Times
from logger.journal.reader import JournalReader

OUT_OF_ORDER_NS = 10 * 10**9
"""A port stamps a reading before the loop numbers it: by so much at most may one be older than its
neighbours (a loop that stood still, say on a slow disk, finds older ones behind what it stamps itself)."""

FEW = 5_000


class Job(NamedTuple):
    """``[from_ns, to_ns)`` of a station's time had the tag ``was``; its entries are those from ``first`` to
    ``last``, and ``late``, which were told later."""

    station: str
    from_ns: int
    to_ns: int
    was: Tag
    first: int
    last: int
    late: tuple[int, ...] = ()

    @property
    def changed(self) -> Changed:
        return Changed(self.station, self.from_ns, self.to_ns, self.was)

    def entries(self) -> Iterator[tuple[int, int]]:
        if self.first <= self.last:
            yield self.first, self.last
        for seq in self.late:
            yield seq, seq

    def to_json(self) -> list[Any]:
        return [*self[:3], list(self.was), self.first, self.last, list(self.late)]

    @classmethod
    def from_json(cls, told: Sequence[Any]) -> Job:
        station, from_ns, to_ns, was, first, last, late = told
        return cls(str(station), int(from_ns), int(to_ns), Tag(*was), int(first), int(last), tuple(late))


def jobs(changes: Iterable[Changed], reader: JournalReader, sent_upto: int) -> list[Job]:
    """What is to be taken back, none where nothing can have been sent. JournalError."""
    told = list(changes)
    if not told or sent_upto < 1:
        return []
    late = [
        (finding.seq, moment(finding))
        for kind in LATE
        for finding in reader.findings(kind)
        if finding.seq <= sent_upto
    ]
    newest_ns = reader.last_at_ns // SLOT_NS * SLOT_NS + SLOT_NS
    found = []
    for station, from_ns, end_ns, was in told:
        to_ns = newest_ns if end_ns is None else end_ns
        first, last = entries_in(reader, from_ns, to_ns)
        last = min(last, sent_upto)
        others = tuple(seq for seq, at in late if from_ns <= at < to_ns and not first <= seq <= last)
        if first <= last or others:
            found.append(Job(station, from_ns, to_ns, was, first, last, others))
    return found


def entries_in(reader: JournalReader, from_ns: int, to_ns: int) -> tuple[int, int]:
    """The first and the last entry in a stretch of station time; (1, 0) where there is none."""
    first = 0
    start = reader.first_seq_at(from_ns - OUT_OF_ORDER_NS)
    for record in reader.read(start - 1, chunk=1000):
        if from_ns <= record.at_ns < to_ns:
            first = record.seq
            break
        if record.at_ns >= to_ns + OUT_OF_ORDER_NS:
            break
    if not first:
        return 1, 0
    end = reader.first_seq_at(to_ns + OUT_OF_ORDER_NS)
    start = first
    if end - first > FEW:  # what came before is no candidate, but for the very last of it
        start = max(reader.first_seq_at(to_ns - OUT_OF_ORDER_NS) - 1, first)
    last = first
    for record in reader.read(start - 1, end, chunk=1000):
        if from_ns <= record.at_ns < to_ns:
            last = record.seq
    return first, last


def still_wrong(told: Iterable[Job], spans: Spans) -> list[Job]:
    """The jobs without those parts whose old tag is the right one again."""
    left = []
    for job in told:
        edges = {job.from_ns, job.to_ns}
        for station, _, start_ns, end_ns in spans.runs.values():
            if station == job.station:
                edges |= {-(-at // SLOT_NS) * SLOT_NS for at in (start_ns, end_ns) if at is not None}
        inside = sorted(edge for edge in edges if job.from_ns <= edge <= job.to_ns)
        for begin, end in pairwise(inside):
            if spans.at(job.station, begin) != job.was:
                left.append(job._replace(from_ns=begin, to_ns=end))
    return left


class Delete(NamedTuple):
    """What `StoreWriter.delete` takes."""

    start: str
    stop: str
    predicate: str


def deletes(job: Job, bay: str, times: Times) -> list[Delete]:
    """The deletes that do a job: slots are whole, so the stretch is told to the nanosecond."""
    named = {"bay": bay, "station": job.station, "run": job.was.run, "lot": job.was.lot}
    where = " AND ".join(f'{name}="{_quoted(tag_value(value))}"' for name, value in named.items())
    found = []
    at_ns = job.from_ns
    while at_ns < job.to_ns:
        _, end_ns, shift_ns = times.stretch(at_ns)
        end_ns = job.to_ns if end_ns is None else min(end_ns, job.to_ns)
        start, stop = (rfc3339(ns + shift_ns, digits=9) for ns in (at_ns, end_ns - 1))
        found += [Delete(start, stop, f'_measurement="{name}" AND {where}') for name in RETRACTABLE]
        at_ns = end_ns
    return found


def _quoted(text: str) -> str:
    return text.replace("\\", "\\\\").replace('"', '\\"')
