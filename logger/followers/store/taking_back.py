"""Doing the jobs of `retract`, a request at a time, so that what is new need not wait."""

from __future__ import annotations

import logging
from collections.abc import Iterator, Sequence

from logger.followers.progress import Progress
from logger.followers.store import writer
from logger.followers.store.points import Line
from logger.followers.store.retract import Job, deletes
from logger.followers.store.sender import Sender
from logger.followers.store.view import View
from logger.followers.store.writer import Refused, Written
from logger.journal.reader import JournalReader

log = logging.getLogger("tallydeck.followers")

MARKED_AT_ONCE = 2_000


class TakingBack:
    """``how``: ``delete``, ``mark``, or "" for delete where the store can. One that can't has them marked."""

    def __init__(self, how: str, bay_name: str, sender: Sender) -> None:
        self._deletes, self._bay_name, self._sender = how != "mark", bay_name, sender
        self._job: Job | None = None
        self._steps: Iterator[Refused | None] = iter(())

    def due(self, view: View, progress: Progress) -> Job | None:
        """The next job whose entries were all sent as they are now: the new points go first."""
        for job in view.jobs:
            if not any(progress.pending_in(first, last) for first, last in job.entries()):
                return job
        return None

    def step(self, job: Job, view: View, reader: JournalReader) -> Refused | None:
        """Do a piece of it; answers what was refused: the job then begins anew. A job that is
        done is taken from the view."""
        if self._job != job:
            self._job, self._steps = job, self._do(job, view, reader)
        refused = next(self._steps, None)
        if refused is not None or self._job is None:
            self._job = None
        return refused

    def _do(self, job: Job, view: View, reader: JournalReader) -> Iterator[Refused | None]:
        """One request between two yields."""
        if self._deletes:
            for each in deletes(job, self._bay_name, view.times):
                outcome = self._sender.delete(each)
                if isinstance(outcome, Written):
                    yield None
                elif outcome.refuses_deletes:
                    self._deletes = False
                    log.warning("store: it does not delete, so points are marked: %s", outcome.what)
                    break
                else:
                    yield outcome
        if not self._deletes:
            yield from self._mark(job, view, reader)
        view.jobs.remove(job)
        self._sender.counts["retractions"] += 1
        self._job = None

    def _mark(self, job: Job, view: View, reader: JournalReader) -> Iterator[Refused | None]:
        assert view.meaning is not None  # noqa: S101  (nothing is due before)
        for first, last in job.entries():
            for begin in range(first, last + 1, MARKED_AT_ONCE):
                records = list(reader.read(begin - 1, min(begin + MARKED_AT_ONCE - 1, last)))
                lines = view.meaning.withdrawn(records, [job.changed])
                if lines:
                    yield from self._write(lines)

    def _write(self, lines: Sequence[Line]) -> Iterator[Refused | None]:
        outcome = self._sender.write(lines)
        if isinstance(outcome, Written):
            yield None
        elif outcome.kind not in (writer.BAD, writer.LARGE):
            yield outcome
        elif len(lines) == 1:  # it has not taken the point itself either
            log.warning("store: a point of entry %d can't be marked: %s", lines[0].seq, outcome.what)
        else:
            yield from self._write(lines[: len(lines) // 2])
            yield from self._write(lines[len(lines) // 2 :])
