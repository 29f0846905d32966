"""Shifts: spans of local wall time. A day of 23 or 25 hours makes a shift shorter or longer, never wrong."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, tzinfo

from logger.core.actions import EPOCH, to_ns

DAY_MIN = 24 * 60


@dataclass(frozen=True, slots=True)
class Shift:
    """One shift: ``[start_ns, end_ns)`` in UTC nanoseconds; ``day`` is the local date it began on."""

    day: date
    start_ns: int
    end_ns: int

    @property
    def hours(self) -> float:
        """True length, also on days when the clock is changed."""
        return (self.end_ns - self.start_ns) / 3.6e12


def shift_at(wall_ns: int, zone: tzinfo, shifts: tuple[tuple[int, int], ...]) -> Shift | None:
    """The shift that a moment lies in; None between shifts.

    ``shifts`` are (start, end) in minutes after local midnight; one whose end is not after its start goes
    on past midnight. A local time that the change to summer time leaves out counts as the moment after it;
    one that comes twice in autumn counts when it comes first.
    """
    local = (EPOCH + timedelta(microseconds=wall_ns // 1000)).astimezone(zone)
    for day in (local.date(), local.date() - timedelta(days=1)):
        for start, end in shifts:
            begins = _moment_ns(day, start, zone)
            ends = _moment_ns(day, end if end > start else end + DAY_MIN, zone)
            if begins <= wall_ns < ends:
                return Shift(day, begins, ends)
    return None


def _moment_ns(day: date, minutes: int, zone: tzinfo) -> int:
    """UTC ns of a local time of day, given in minutes; 1440 and more lie on the next day."""
    days, minute = divmod(minutes, DAY_MIN)
    local = datetime.combine(day + timedelta(days=days), time(minute // 60, minute % 60), zone)
    return to_ns(local.astimezone(UTC))
