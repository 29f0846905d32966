"""Which columns a table of the record has, and its rows: what a header says comes from here alone."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from logger.core.bay import Bay as Fold
from logger.core.description import Bay
from logger.core.entries import USABLE
from logger.core.tagging import Clockwork, Spans, tagging
from logger.core.units import MASS_MG, to_mg
from logger.core.walltime import rfc3339
from logger.journal.columns import as_readings, columns
from logger.journal.reader import Past

CHUNK = 20_000
FLAG = {True: "1", False: "0", None: ""}


class Column(NamedTuple):
    """``unit``: "" where the column has none."""

    name: str
    unit: str
    meaning: str

    @property
    def header(self) -> str:
        return f"{self.name} [{self.unit}]" if self.unit else self.name


READINGS = (
    Column("seq", "", "number of the entry in the journal"),
    Column("time", "UTC", "wall time as it is known now, RFC 3339"),
    Column("station time", "ns", "monotonic time of the record, since 1970-01-01"),
    Column("station", "", "empty: a channel of no station"),
    Column("role", "", "feed, outlet or water"),
    Column("place", "", "the outlet's or the water line's name"),
    Column("lot", "", "as the books say it now; empty: none"),
    Column("run", "", "as the books say it now; empty: none"),
    Column("channel", "", "the stream of readings"),
    Column("value", "", "the number as the instrument showed it, in the unit of its row"),
    Column("unit", "", "the unit that the instrument showed"),
    Column("mass", "kg", "the value in kg, before any correction; empty: no mass, or not to be believed"),
    Column("stable", "", "the instrument's own motion flag: 1, 0, or empty where it has none"),
    Column("status", "", "what the instrument said of the number; ok and zero may be believed"),
    Column("mode", "", "gross, net, tare, or empty where the instrument does not say"),
)

Place = tuple[str, str, str]
"""Station, role, name."""


def places(bay: Bay) -> dict[str, list[Place]]:
    """What each channel measures; one that serves two stations has two places."""
    found: dict[str, list[Place]] = {}
    for station in bay.stations:
        named = [("feed", "", station.feed.channel)]
        named += [("outlet", each.name, each.channel) for each in station.outlets]
        named += [("water", each.name, each.channel) for each in station.water]
        for role, name, channel in named:
            if channel is not None:
                found.setdefault(channel, []).append((station.name, role, name))
    return found


def decimal(number: int, exp: int) -> str:
    """``number * 10**exp`` as exact text, with the digits that were shown: (1250, -3) gives "1.250"."""
    if exp >= 0:
        return str(number * 10**exp)
    digits = str(abs(number)).zfill(1 - exp)
    return f"{'-' if number < 0 else ''}{digits[:exp]}.{digits[exp:]}"


def readings(past: Past, fold: Fold, after: int, upto: int, run: str | None = None) -> Iterator[list[str]]:
    """Rows of `READINGS` with ``after < seq <= upto`` in order; of one run only, where it is named.

    A reading of a channel with two places gives a row for each. JournalError where it can't be read.
    """
    told = tagging(fold)
    spans, known = Spans(told.runs), places(fold.description)
    for piece in columns(past, after, upto, chunk=CHUNK):
        for at_ns, channel, number, exp, unit, stable, status, mode, _, seq in as_readings(piece):
            head = [str(seq), rfc3339(at_ns + shift_ns(told.clockwork, at_ns), digits=9), str(at_ns)]
            tail = [channel, decimal(number, exp), unit, _kg(number, exp, unit, status), FLAG[stable]]
            for station, role, name in known.get(channel, [("", "", "")]):
                tag = spans.at(station, at_ns)
                if run is None or tag.run == run:
                    yield [*head, station, role, name, tag.lot, tag.run, *tail, status, mode]


def shift_ns(clockwork: tuple[Clockwork, ...], at_ns: int) -> int:
    """Wall time less station time at a moment of station time."""
    shift = 0
    for piece in clockwork:
        if piece.from_ns <= at_ns:
            shift = piece.shift_ns
    return shift


def _kg(number: int, exp: int, unit: str, status: str) -> str:
    if status not in USABLE or unit not in MASS_MG:
        return ""
    return decimal(to_mg(number, exp, unit), -6)
