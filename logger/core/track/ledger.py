"""What was recognised, by number, and enough of each to correct it later."""

from __future__ import annotations

from dataclasses import dataclass, replace

from logger.core.track.view import Recognised

KEPT = 200


@dataclass(slots=True)
class Record:
    """``step`` is the step of the weight in mass units, ``expected`` what was expected to pass meanwhile
    and ``counted`` what the account holds for the event now, with its variance and estimated part (mg)."""

    number: int
    from_s: int
    to_s: int
    step: float
    expected: float
    counted: float
    var: float
    estimated: float


class Ledger:
    """The last 200 recognised events of a track."""

    def __init__(self) -> None:
        self.count = 0
        self._records: dict[int, Record] = {}

    def enter(self, event: Recognised, record: Record) -> Recognised:
        self.count += 1
        record.number = self.count
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

    @staticmethod
    def should(record: Record, was: str | None, credit: float | None) -> float:
        """The mass (mg) the event counts for if it really was ``was``, or was worth ``credit``."""
        if (was is None) == (credit is None):
            raise ValueError('give exactly one of "was" and "credit"')
        if credit is not None:
            return credit
        if was not in ("product", "nothing", "change"):
            raise ValueError(f'"{was}" is not known; use "product", "nothing" or "change"')
        return record.step if was == "product" else record.expected
