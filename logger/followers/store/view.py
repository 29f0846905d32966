"""Under which tags and times entries are sent, kept in the journal before a point goes out under them.

What is delivered was sent under the spans that are kept; when the books say otherwise, the difference tells
exactly which entries are to be sent again and which points are to be taken back.
"""

from __future__ import annotations

import json
import logging
from typing import Any

from logger.core.description import Bay
from logger.core.tagging import Spans, Tagging
from logger.followers.ranges import Ranges
from logger.followers.store import retract
from logger.followers.store.places import Places, places_of
from logger.followers.store.points import Meaning
from logger.followers.store.retract import Job
from logger.followers.store.series import series
from logger.followers.store.times import Times
from logger.journal.reader import JournalReader

log = logging.getLogger("tallydeck.followers")

NAME = "store.spans"
"""Of the cursor that it is kept as."""


class View:
    """``state`` is what was kept, "" of a new follower."""

    def __init__(self, description: Bay, state: str = "") -> None:
        self._description = description
        self._places: Places | None = None
        self.spans: Spans | None = None
        self.times = Times()
        self.jobs: list[Job] = []
        self.meaning: Meaning | None = None
        if state:
            self._take_up(state)

    def _take_up(self, state: str) -> None:
        try:
            told = json.loads(state)
            spans, times = Spans.from_json(told["spans"]), Times.from_json(told["times"])
            jobs = [Job.from_json(each) for each in told["jobs"]]
        except (ValueError, KeyError, TypeError, AttributeError) as error:
            log.error(
                "store: it is not known any more under which runs points were sent (%s); "
                "send them again where a run was corrected lately",
                error,
            )
            return
        self.spans, self.times, self.jobs = spans, times, jobs

    def state(self) -> str:
        told: dict[str, Any] = {
            "spans": {} if self.spans is None else self.spans.to_json(),
            "times": self.times.to_json(),
            "jobs": [job.to_json() for job in self.jobs],
        }
        return json.dumps(told)

    def series(self) -> int:
        """How many series the books imply by now."""
        return 0 if self.spans is None or self._places is None else series(self.spans, self._places)

    def look(self, told: Tagging, reader: JournalReader, sent_upto: int) -> Ranges:
        """Take over what the books say now; answers the entries that are to be sent again.

        ``sent_upto``: no entry above it can have been sent.
        """
        again = Ranges()
        newer = Spans(told.runs)
        moved = self.times.update(told.clockwork, reader.last_at_ns)
        if self.spans is not None and newer.runs != self.spans.runs:
            changes = self.spans.changes(newer)
            jobs = retract.jobs(changes, reader, sent_upto)
            self.jobs = retract.still_wrong(self.jobs, newer) + jobs
            for job in jobs:
                for first, last in job.entries():
                    again.add(first, last)
        if self._places is None:
            self._places = places_of(reader, self._description)
        if moved or self.meaning is None or self.spans is None or newer.runs != self.spans.runs:
            self.spans = newer
            self.meaning = Meaning(self._description.name, newer, self._places, self.times)
        return again
