"""Which topics the broker keeps for us: kept in the journal, so that a station that was taken out of the
configuration, or renamed, does not stand at the broker for ever as it was last.
"""

from __future__ import annotations

import json
import logging

from logger.journal.cursors import Cursor

log = logging.getLogger("tallydeck.followers")

NAME = "broker.topics"


class Remembered:
    """``state``: what `cursor` gave before."""

    def __init__(self, state: str = "") -> None:
        self._topics: set[str] = set()
        try:
            self._topics = {str(topic) for topic in json.loads(state or "[]")}
        except (ValueError, TypeError) as error:
            log.warning("%s can't be used; topics of an older configuration may stay: %s", NAME, error)
        self._changed = False

    def gone(self, topics: set[str]) -> set[str]:
        """``topics`` are those that should be there; answers which others are, and are to be cleared."""
        self._changed = self._changed or not topics <= self._topics
        self._topics |= topics
        return self._topics - topics

    def cleared(self, topic: str) -> None:
        """The broker keeps it no more."""
        self._changed = self._changed or topic in self._topics
        self._topics.discard(topic)

    def cursor(self) -> Cursor | None:
        """What is to be kept now; None where nothing changed."""
        if not self._changed:
            return None
        self._changed = False
        return Cursor(NAME, 0, json.dumps(sorted(self._topics)))
