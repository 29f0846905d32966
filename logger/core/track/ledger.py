"""What was recognised, by number, and enough of each to believe something else of it later.

Of every event the ledger keeps what was weighed (the step) and what was expected to pass meanwhile. What it
counts for follows from what it *was*: `belief` says how, in one table; `core.track.told` applies it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, NamedTuple

from logger.core.track.view import Recognised

if TYPE_CHECKING:
    from logger.core.track.saying import Saying

KEPT = 200
FRESH = ("container-changed", "container-set")
"""Events after which another container stands there."""
LEAST_LOSS_MG = 30_000.0
"""What a container got lighter by and is no product; less may be a scale's scatter."""


@dataclass(slots=True)
class Record:
    """``step`` is the step of the weight in mass units, ``shown`` as the scale shows it; ``expected`` what
    was expected to pass meanwhile and ``counted`` what is held for the event now, with its variance and
    estimated part (mg). ``expected_var`` and ``step_var`` are variances; ``spliced``: ``step_var`` counts.

    ``after`` is the level after it; ``tare_before``, ``tare_found`` and ``tare`` are the tare before it,
    after it as recognised, and after it as believed now (None: unknown); ``since_s`` is when the container
    before came. ``uncaught`` is what fell beside, ``water`` what was taken off the mass counted before (mg).
    ``what`` it is now, ``found`` as recognised; ``said`` is what a person said it was, ``by`` with which
    words (None: by a correction, or not at all), and ``before`` what it was until then.
    """

    number: int
    from_s: int
    to_s: int
    step: float
    expected: float
    counted: float
    var: float
    estimated: float
    what: str = ""
    shown: float = 0.0
    expected_var: float = 0.0
    step_var: float = 0.0
    spliced: bool = False
    after: float = 0.0
    tare_before: float | None = None
    tare_found: float | None = None
    tare: float | None = None
    since_s: int = 0
    uncaught: float = 0.0
    uncaught_var: float = 0.0
    water: float = 0.0
    said: str = ""
    found: str = ""
    feed: bool = False
    by: Saying | None = None
    before: Held | None = None

    def hold(self, by: Saying | None) -> None:
        """Keep what it counts for now: it is about to be told otherwise."""
        now = Belief(
            self.counted, self.var, self.spliced, self.estimated, self.tare, self.uncaught, self.water
        )
        self.by, self.before = by, Held(now, self.what, self.said)

    def taken(self, gain: float) -> tuple[float, float]:
        """What was taken out of the container if this was that (mg as the scale shows), and its variance.

        The scale lost what was taken less what came meanwhile. In a brim-full container the water
        that runs in again hides a part of it, sooner or later: between none of it and ``gain`` - 1.
        """
        mass = self.expected / gain - self.shown
        var = (self.expected_var + self.step_var) / gain**2
        return mass, var + ((gain - 1.0) * mass) ** 2 / 3.0


class Belief(NamedTuple):
    """What an event counts for. ``spliced``: by expectation, so the step's own variance comes on top."""

    counted: float
    var: float
    spliced: bool
    estimated: float
    tare: float | None
    uncaught: float = 0.0
    water: float = 0.0


class Held(NamedTuple):
    """What a record was before something was said of it: its `Belief`, ``what`` and ``said``."""

    belief: Belief
    what: str
    said: str


class Ledger:
    """The last 200 recognised events of a track."""

    def __init__(self) -> None:
        self.count = 0
        self._records: dict[int, Record] = {}

    def enter(self, event: Recognised, record: Record) -> Recognised:
        self.count += 1
        record.number = self.count
        record.what = record.found = event.what
        self._records[self.count] = record
        self._records.pop(self.count - KEPT, None)
        return replace(event, number=self.count)

    def get(self, number: int) -> Record:
        """KeyError, saying which are known, where it is unknown or forgotten."""
        record = self._records.get(number)
        if record is None:
            known = f"{min(self._records)} to {self.count}" if self._records else "none"
            raise KeyError(f"no recognised event {number} is remembered here; known: {known}")
        return record

    def since(self, second: int) -> list[Record]:
        """Those that ended at a second or later, the latest first."""
        found = []
        for number in range(self.count, max(0, self.count - KEPT), -1):
            record = self._records[number]
            if record.to_s < second:
                break
            found.append(record)
        return found

    def later(self, number: int) -> list[Record]:
        """Those after a number, in their order."""
        return [self._records[n] for n in range(number + 1, self.count + 1) if n in self._records]


def belief(record: Record, was: str | None, credit: float | None, retains: bool = False) -> Belief:
    """What the event counts for if it was ``was``, or was worth ``credit`` (mg).

    ``product``: what the scale shows more was weighed. ``nothing``, ``change``, ``sample``: what was
    expected passed. ``away``: that fell beside. ``decanted``: water was poured off. Where the container keeps
    all water (``retains``) the mass counted is product *with its water*, so it falls by what was poured
    off: the base holds, and the water is taken off evenly over the time the container stood there. Elsewhere
    the water had not been counted, and what was expected passed. ValueError: that can't be.
    """
    if (was is None) == (credit is None):
        raise ValueError('give exactly one of "was" and "credit"')
    if credit is not None:
        return Belief(credit, 0.0, True, 0.0, record.tare)
    expected, var = record.expected, record.expected_var
    passed = Belief(expected, var, True, expected, record.tare_found)
    weighed = Belief(record.step, 0.0, False, 0.0, record.tare_before)
    match was:
        case "product":
            _may_be_product(record)
            found = weighed
        case "nothing":
            found = passed._replace(tare=_same_content(record)) if record.found in FRESH else passed
        case "change":
            found = passed._replace(tare=record.after)
        case "away":
            found = Belief(0.0, 0.0, True, 0.0, record.tare, uncaught=expected)
        case "decanted" if retains:
            found = weighed._replace(water=expected - record.step)
        case "decanted" | "sample":
            found = passed._replace(tare=record.tare_before)
        case _:
            raise ValueError(f'"{was}" is not known; use "product", "nothing" or "change"')
    return found


def _same_content(record: Record) -> float | None:
    """The tare if no container was changed, but its weight stepped by itself."""
    return None if record.tare_before is None else record.tare_before + record.shown


def _may_be_product(record: Record) -> None:
    if record.found == "caught-product":
        raise ValueError("what was poured in is counted already; there is nothing to add")
    if record.feed and record.shown > LEAST_LOSS_MG:
        raise ValueError(
            'a rise of the feed\'s weight is no feed used; say how much was used meanwhile with "credit"'
        )
    if not record.feed and record.step < -LEAST_LOSS_MG:
        raise ValueError(
            'a container that got lighter got no product by that; say what came meanwhile with "credit"'
        )
