"""What a person says of the containers, and which step of the weight can be meant by it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from logger.core.track.changes import Knowledge
    from logger.core.track.ledger import Record

SAID_S = 120
"""A step of the weight so long before or after what is said can be meant by it."""
EARLY_S = 5  # what is said now may be about a step that begins so much later than the time it carries
STANDS_S = 30
"""An empty scale on which nothing moves for so long after the words has a container on it: nobody
needs longer to put one back, and what it is counted for is the same if somebody does."""
LEAST_MG = 200_000.0  # lighter than any container in use: common practice, no source

WORDS = {
    "change": "container-changed",
    "away": "container-away",
    "decanted": "decanted",
    "sample": "sample-taken",
}
"""What can be said, and what a step is then called."""


@dataclass(frozen=True, slots=True)
class Saying:
    """``what`` is a key of `WORDS`; ``at_s`` when it is said to have happened, ``said_s`` when it was said;
    ``sample`` and ``mass`` (mg; None: as the weight shows) of a sample."""

    what: str
    at_s: int
    said_s: int
    sample: str = ""
    mass: float | None = None

    @property
    def until_s(self) -> int:
        """Until then a step is waited for."""
        return self.said_s + SAID_S


def fits(saying: Saying, record: Record, know: Knowledge, gain: float, *, ahead: bool) -> bool:
    """Can the step be what was said? ``ahead``: it was said before the step, so less proof is asked."""
    if record.found == "caught-product":
        return False
    if saying.what == "change":
        return record.found != "container-off"
    if saying.what == "away":
        return (
            record.found == "container-off" if record.found.startswith("container") else _bare(record, ahead)
        )
    if record.said or record.found in ("container-off", "container-set"):
        return False
    return _taken_out(saying, record, know, gain, ahead)


def _bare(record: Record, ahead: bool) -> bool:
    """Does the scale show less than a container weighs? A scale with something else on it never shows 0."""
    if record.found not in ("step-down", "tare-pressed") or record.shown > -LEAST_MG:
        return False
    tare = record.tare_before
    return ahead if tare is None else record.after < tare - 0.5 * LEAST_MG


def _taken_out(saying: Saying, record: Record, know: Knowledge, gain: float, ahead: bool) -> bool:
    """Did the container get lighter by a mass that can be believed?"""
    mass, _ = record.taken(gain)
    noise = ((record.expected_var + record.step_var) ** 0.5) / gain
    if mass < max(3.0 * noise, 2.0 * know.resolution):
        return False
    if record.found == "container-changed":  # lifted off for it and put back, or another, empty one?
        tare = record.tare_before
        if tare is None:
            like = (abs(record.after - t) <= max(0.1 * abs(t), know.zero_tol()) for t in know.tares[:-1])
            if not ahead or any(like):
                return False
        elif record.after < tare + 0.1 * abs(tare) + know.zero_tol():
            return False
    return saying.mass is None or abs(mass - saying.mass) <= max(0.5 * saying.mass, 50_000.0)
