"""What was said, as it stands: each accepted action with what became of it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from logger.core.walltime import rfc3339


@dataclass(slots=True)
class Spoken:
    """An accepted action. ``body`` is what counts now; ``history`` holds what it was before, and why.

    ``given`` is the name the books made up for it; ``facts`` what the fold found out for it later (a
    weight, that the deck is empty), kept so that the books can be made anew after a correction.
    """

    seq: int
    at_ns: int
    who: str
    id: str
    body: dict[str, Any]
    given: str = ""
    withdrawn: bool = False
    facts: list[dict[str, Any]] = field(default_factory=list)
    history: list[dict[str, Any]] = field(default_factory=list)
    latest_ns: int = 0  # when it was said or last corrected
    latest_seq: int = 0  # the entry of that

    def __post_init__(self) -> None:
        self.latest_ns = self.latest_ns or self.at_ns
        self.latest_seq = self.latest_seq or self.seq

    def to_json(self) -> dict[str, Any]:
        state = "withdrawn" if self.withdrawn else ("amended" if self.history else "stands")
        return {
            "entry": self.seq,
            "said": rfc3339(self.at_ns),
            "time": self.body.get("time") or rfc3339(self.at_ns),
            "who": self.who,
            "action": self.body["action"],
            "name": self.given,
            "body": dict(self.body),
            "found": [_found(fact) for fact in self.facts],
            "state": state,
            "history": [dict(each) for each in self.history],
        }


def _found(fact: dict[str, Any]) -> dict[str, Any]:
    """A fact with its time as the API tells times."""
    told = {key: value for key, value in fact.items() if key != "at_ns"}
    return told | ({"time": rfc3339(fact["at_ns"])} if "at_ns" in fact else {})
