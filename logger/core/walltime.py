"""What the wall clock turned out to have been, and RFC 3339 text, exact to the nanosecond.

Station time is right in its differences but may be wrong as a date: a board without a clock battery
boots in the past and is set late. An *anchor* (Circumstance ``clock``) says how far the wall clock was
from station time at that moment; as station time runs evenly from boot on, the newest anchor of a boot
corrects that boot's whole past.
"""

from __future__ import annotations

import re
from bisect import bisect_right
from datetime import UTC, datetime, timedelta, tzinfo
from functools import lru_cache

from logger.core.entries import Circumstance
from logger.core.tagging import Clockwork

SECOND_NS = 10**9
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


class WallTime:
    """Folds Circumstances ``boot`` {"boot", "offset_ns"} and ``clock`` {"boot", "step_ns", "trusted"?}.

    A boot's offset may have been raised by a later start of the program (station time never runs
    backwards); each start's stretch of station time is corrected by its own offset. An anchor that
    says ``trusted: false`` never replaces one of the same boot that said true.
    """

    def __init__(self) -> None:
        # boot -> station times from which an offset held, the offsets, and wall - monotonic
        self._starts: dict[str, list[int]] = {}
        self._offsets: dict[str, list[int]] = {}
        self._true_offset: dict[str, int] = {}
        self._trusted: dict[str, bool] = {}

    def apply(self, entry: Circumstance) -> None:
        """Take in one Circumstance; kinds other than ``boot`` and ``clock`` change nothing."""
        if entry.kind == "boot":
            boot, offset = entry.data["boot"], entry.data["offset_ns"]
            offsets = self._offsets.setdefault(boot, [])
            if not offsets or offsets[-1] != offset:
                offsets.append(offset)
                self._starts.setdefault(boot, []).append(entry.at_ns)
        elif entry.kind == "clock":
            boot, trusted = entry.data["boot"], bool(entry.data.get("trusted", False))
            if self._trusted.get(boot, False) and not trusted:
                return
            self._trusted[boot] = trusted
            self._true_offset[boot] = self._offset(entry.at_ns, boot) + entry.data["step_ns"]

    def _offset(self, at_ns: int, boot: str) -> int:
        offsets = self._offsets.get(boot)
        if not offsets:
            return 0  # an anchor without a boot entry still says how far station time was off
        return offsets[max(bisect_right(self._starts[boot], at_ns) - 1, 0)]

    def resolve(self, at_ns: int, boot: str) -> int:
        """Wall time (ns since 1970) of a station time of that boot; unchanged without an anchor."""
        true_offset = self._true_offset.get(boot)
        if true_offset is None:
            return at_ns
        return at_ns + true_offset - self._offset(at_ns, boot)

    def clockwork(self) -> tuple[Clockwork, ...]:
        """By station time: how far the wall time of each start's stretch is from it, as known now."""
        pieces = [
            Clockwork(start, self.resolve(start, boot) - start, self.trusted(boot))
            for boot, starts in self._starts.items()
            for start in starts
        ]
        return tuple(sorted(pieces))

    def trusted(self, boot: str) -> bool:
        """True once an anchor of that boot said that the wall clock can be trusted."""
        return self._trusted.get(boot, False)

    def anchored(self, boot: str) -> bool:
        """True once there is an anchor of that boot at all."""
        return boot in self._true_offset


@lru_cache(maxsize=4096)
def _second_text(second: int, tz: tzinfo) -> tuple[str, str]:
    moment = (_EPOCH + timedelta(seconds=second)).astimezone(tz)
    text = moment.isoformat()
    return (text[:19], "Z") if str(tz) == "UTC" else (text[:19], text[19:])


def rfc3339(ns: int, tz: tzinfo = UTC, digits: int = 3) -> str:
    """The text of a time, e.g. ``2026-03-29T01:59:59.123Z``; ``digits`` (0 to 9) decimals, cut off.

    Cut off and not rounded, so that a text never names a second that had not come yet. In UTC the
    offset is ``Z``, else ``+01:00``. OverflowError outside the years 1 to 9999.
    """
    second, rest = divmod(ns, SECOND_NS)
    head, offset = _second_text(second, tz)
    return f"{head}.{rest:09d}"[: 20 + digits] + offset if digits else head + offset


_TIME = re.compile(
    r"([0-9]{4}-[0-9]{2}-[0-9]{2}[Tt ][0-9]{2}:[0-9]{2}):([0-9]{2})(?:\.([0-9]{1,9}))?"
    r"([Zz]|[+-][0-9]{2}:[0-9]{2})"
)
_NO_OFFSET = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}[Tt ][0-9]{2}:[0-9]{2}:[0-9]{2}(?:\.[0-9]*)?")
_EXAMPLE = 'write e.g. "2026-03-29T01:59:59.5+01:00" or "2026-03-29T00:59:59.5Z"'


@lru_cache(maxsize=4096)
def _minute_ns(minute: str, offset: str) -> tuple[int, bool]:
    """Ns of the minute's start, and whether it is the last of a UTC day (where leap seconds live)."""
    moment = datetime.fromisoformat(minute[:10] + "T" + minute[11:] + "+00:00") - _EPOCH
    seconds = moment.days * 86400 + moment.seconds
    if offset not in ("Z", "z"):
        hours, minutes = int(offset[1:3]), int(offset[4:6])
        if hours > 23 or minutes > 59:
            raise ValueError(f"offset {offset} is out of range")
        east = hours * 3600 + minutes * 60
        seconds -= -east if offset[0] == "-" else east
    return seconds * SECOND_NS, seconds % 86400 == 86340


def parse_rfc3339(text: str) -> int:
    """Nanoseconds since 1970 of an RFC 3339 time, exact; the offset is required.

    Up to nine decimals. A leap second (``23:59:60`` UTC) is the second after it, as in POSIX.
    ValueError says what is wrong. A cache by the minute makes a file in order cheap to read.
    """
    match = _TIME.fullmatch(text)
    if match is None:
        if _NO_OFFSET.fullmatch(text):
            raise ValueError(f'time "{text}" has no offset from UTC, so its moment is not known; {_EXAMPLE}')
        raise ValueError(f'"{text[:60]}" is not an RFC 3339 time of at most 9 decimals; {_EXAMPLE}')
    minute, second_text, fraction, offset = match.groups()
    try:
        ns, last_of_day = _minute_ns(minute, offset)
    except ValueError as error:
        raise ValueError(f'"{text}" is not a time: {error}; {_EXAMPLE}') from error
    second = int(second_text)
    if second > 59 and not (second == 60 and last_of_day):
        raise ValueError(f'"{text}" is not a time: second {second} is out of range; {_EXAMPLE}')
    ns += second * SECOND_NS
    return ns + int(fraction.ljust(9, "0")) if fraction else ns
