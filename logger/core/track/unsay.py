"""Taking back what a person said of a container, as if it had not been said.

What still waits for its step of the weight is waited for no longer. A step that was believed to be what was
said counts again for what it did before; only the last that was said of a step can be taken back. What the
track learned for later from a fresh container (drainage begins anew) is not unlearned: it changes no mass.
"""

from __future__ import annotations

from dataclasses import replace

from logger.core.track.ledger import FRESH, Record
from logger.core.track.restate import Restater
from logger.core.track.saying import Saying
from logger.core.track.view import Recognised

AGAIN = "something else was said of it since; correct it by the number shown with it"
STANDS = "a container stands there again; correct what ended it, by the number shown with it"
REOPENED = "what came since is taken as not caught; say that a fresh container stands there when one does"


class Unsayer(Restater):
    """Lets sayings and corrections go again."""

    _away_s: int | None

    def unsay(self, said: Saying | int) -> Recognised | None:
        """Take a saying back, or the correction of an event (its number). None: its step was waited for.

        Otherwise what the step is again. ValueError, in the operator's words: that is not possible.
        """
        if isinstance(said, int):
            record: Record | None = self._ledger.get(said)
        else:
            if said in self._sayings:
                self._wait_for(*(s for s in self._sayings if s != said))
                return None
            record = next((r for r in self._ledger.since(said.at_s - 3600) if r.by == said), None)
        by = None if isinstance(said, int) else said
        if record is None or record.before is None or record.by != by:
            raise ValueError(AGAIN)
        self._as_before(record)
        return replace(self._event(record, {}), data={})

    def _wait_for(self, *sayings: Saying) -> None:
        self._sayings = sayings[-8:]
        self.view.awaits = tuple(s.what for s in self._sayings)

    def _as_before(self, record: Record) -> None:
        held = record.before
        if held is None:
            raise ValueError(AGAIN)
        if record.what == "container-away":
            self._not_away(record)
        else:
            stood = record.what in FRESH and record.found not in FRESH
            if stood and self._know.tares and record.after in self._know.tares:
                self._know.tares.remove(record.after)
            if stood and self._stood_s == record.to_s:
                self._stood_s = record.since_s
            self._restate(record, held.belief)
            if record.found in FRESH and record.estimated > 0.0:  # caught product may yet be poured in
                self._credits = [*self._credits[-3:], record]
        record.what, record.said = held.what, held.said
        record.by = record.before = None

    def _not_away(self, record: Record) -> None:
        e = self._episode
        if record.found != "container-off":
            raise ValueError(REOPENED)
        if e is None or not e.off or e.start_s != record.from_s:
            raise ValueError(STANDS)
        self._away_s = self.view.away_since_s = None
