"""Times as people say and read them, by the clock on the wall of the bay.

What is printed can be typed in again. An hour that the end of summer time makes twice is refused, and
both moments are named; so is one that its beginning leaves out.
"""

from __future__ import annotations

import re
from datetime import UTC, datetime, time, timedelta, tzinfo

from logger.core.walltime import parse_rfc3339, rfc3339

NS = 10**9
AHEAD_NS = 60 * NS
"""A clock in the hand may be a little ahead of the bay's."""
LATELY_NS = 12 * 3600 * NS
"""A time of day that has not come yet means yesterday's where that was less than twelve hours ago."""

_CLOCK = re.compile(r"(?:(\d{4}-\d{2}-\d{2})[Tt ])?(\d{1,2}):(\d{2})(?::(\d{2}))?")
_WRITE = 'write "06:10", "2026-03-02 06:10", or with its offset "2026-03-02T06:10:00+01:00"'
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_UTC_TEXT = re.compile(r"\d{4}-\d{2}-\d{2}T\d{2}:\d{2}:\d{2}(?:\.\d+)?Z")


def read_time(text: str, zone: tzinfo, now_ns: int) -> int:
    """Nanoseconds since 1970 of a time as a person types it; without an offset it is the bay's own.

    ValueError says what is wrong: no time, a time that the clocks left out or showed twice (both are
    named), a time of day alone that has not come yet.
    """
    text = text.strip()
    match = _CLOCK.fullmatch(text)
    if match is None:
        if re.search(r"([Zz]|[+-]\d{2}:\d{2})$", text):
            return parse_rfc3339(_with_seconds(text))
        raise ValueError(f'"{text[:60]}" is no time; {_WRITE}')
    date, hour, minute, second = match.groups()
    try:
        clock = time(int(hour), int(minute), int(second or 0))
        day = datetime.fromisoformat(date).date() if date else None
    except ValueError as error:
        raise ValueError(f'"{text}" is no time: {error}; {_WRITE}') from None
    if day is not None:
        return _the_one(text, _moments(datetime.combine(day, clock), zone), zone)
    today = _local(now_ns, zone).date()
    return _of_day(
        text, [datetime.combine(today - timedelta(days=back), clock) for back in (0, 1)], zone, now_ns
    )


def _with_seconds(text: str) -> str:
    """RFC 3339 from what people leave out: the seconds, the T, a space before the offset."""
    text = re.sub(r"^(\d{4}-\d{2}-\d{2}) +", r"\1T", text)
    text = re.sub(r" +([Zz]|[+-]\d{2}:\d{2})$", r"\1", text)
    return re.sub(r"(T\d{2}:\d{2})([Zz]|[+-]\d{2}:\d{2})$", r"\1:00\2", text)


def _of_day(text: str, walls: list[datetime], zone: tzinfo, now_ns: int) -> int:
    """The moment of a time of day alone: today's, or yesterday's where that is not long ago."""
    today, yesterday = (_moments(wall, zone) for wall in walls)
    come = [ns for ns in today if ns <= now_ns + AHEAD_NS]
    if come or not today:
        return _the_one(text, come, zone)
    late = [ns for ns in yesterday if now_ns - ns < LATELY_NS]
    if not late:
        raise ValueError(
            f'"{text}" has not come yet: it is {say_time(now_ns, zone)} in the bay; say the day with it, '
            'like "2026-03-02 06:10"'
        )
    return _the_one(text, late, zone)


def _moments(wall: datetime, zone: tzinfo) -> list[int]:
    """The moments at which the clocks of a zone show a time: none, one or two, the earlier first."""
    found = []
    for fold in (0, 1):
        local = wall.replace(tzinfo=zone, fold=fold)
        if local.astimezone(UTC).astimezone(zone).replace(tzinfo=None, fold=0) == wall:
            found.append(_ns(local))
    return sorted(set(found))


def _the_one(text: str, moments: list[int], zone: tzinfo) -> int:
    if len(moments) == 1:
        return moments[0]
    if not moments:
        raise ValueError(f'the clocks never showed "{text}": summer time began then; {_WRITE}')
    first, second = (rfc3339(ns, zone, 0) for ns in moments)
    raise ValueError(f'the clocks showed "{text}" twice, as summer time ended; say {first} or {second}')


def _ns(moment: datetime) -> int:
    delta = moment - _EPOCH
    return (delta.days * 86400 + delta.seconds) * NS


def _local(ns: int, zone: tzinfo) -> datetime:
    return (_EPOCH + timedelta(seconds=ns // NS)).astimezone(zone)


def say_time(ns: int, zone: tzinfo) -> str:
    """``2026-03-02 06:10:00`` by the bay's clock; with the offset where the clocks showed it twice."""
    local = _local(ns, zone)
    wall = local.replace(tzinfo=None, fold=0)
    text = wall.isoformat(" ")
    return text if len(_moments(wall, zone)) == 1 else text + rfc3339(ns, zone, 0)[19:]


def say_times(text: str, zone: tzinfo) -> str:
    """A message with its UTC times told by the bay's clock."""
    return _UTC_TEXT.sub(lambda found: say_time(parse_rfc3339(found.group()), zone), text)
