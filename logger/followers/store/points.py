"""What an entry becomes in the store: lines of the InfluxDB line protocol, with times in ns.

A point is named by its measurement, its tags and its time; sent again, it overwrites itself. So all of these
follow from the entry alone and from what was said of runs: the time is that of the entry's slot of 10 us
plus the entry's number modulo 9999, so no two entries of a series fall on one point. Lot and run are always
those that the time belongs to as it stands now (`core.tagging.Spans`), never those a finding names.

Escaping is the library's (`influxdb_client.Point`). As making a Point takes 20 us, a line of a reading is put
together from a head and a tail that are made once for each channel, unit, flag, run and lot.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

from influxdb_client.client.write.point import Point

from logger.core.entries import USABLE, Finding, Reading, Record
from logger.core.tagging import SLOT_NS, Changed, Spans, Tag
from logger.core.units import PULSE, flow_ratio, mg_ratio, volume_ratio
from logger.followers.store import findings
from logger.followers.store.findings import Said, Value
from logger.followers.store.places import Place, Places
from logger.followers.store.times import Times

NONE = "none"
"""A tag that does not apply: a delete predicate can't ask for a tag that is absent."""
RETRACTABLE = ("reading", "rate", "tally", "alarm")
"""Measurements whose points are tagged by spans, and are taken back where a span changed."""
MARK = {"withdrawn": 1, "retracted": 1}
"""Fields of a point that was taken back. Every point has ``withdrawn``, 0 or 1, so that it can be asked for;
where the newer of two values of one moment need not win, ``retracted`` tells, which is never 0."""
APART = 9_999
"""So many entries after each other fall on different times of one slot; below a slot's 10,000 ns."""
LONGEST_TEXT = 2_000
MANY = 10_000
FOR_EVER = 1 << 63

_TO_ENCODE = re.compile("[\\\\\x00-\x1f\x7f\ud800-\udfff]|%(?=[0-9A-F]{2})")
_NOT_TEXT = re.compile("[\x00-\x1f\x7f\ud800-\udfff]")


class Line(NamedTuple):
    """One line to send. ``seq`` and ``at_ns`` are those of the entry that it comes from."""

    seq: int
    at_ns: int
    text: str


class _Form(NamedTuple):
    """How the readings of a channel are written while they have the same unit and flags and the same tags.

    Holds for [from_ns, until_ns) of station time. ``numerator / denominator`` turns the number into the
    field's unit; 0 / 0: the line holds no value. ``ends``: head and tail of the line for each place.
    """

    from_ns: int
    until_ns: int
    numerator: int
    denominator: int
    ends: tuple[tuple[str, str], ...]


_NO_FORM = _Form(0, 0, 0, 0, ())


def tag_value(name: str) -> str:
    """A name as the store holds it as a tag: "none" where there is none.

    Line protocol has no way to write a backslash or a line's end in a tag so that every server reads the same
    back: those are written like %5C, and no two names become one.
    """
    if name in ("", NONE):
        return f"%{ord(name[0]):02X}{name[1:]}" if name else NONE
    return _TO_ENCODE.sub(lambda found: f"%{ord(found.group()):02X}", name)


def moment(record: Record) -> int:
    """The station time (ns) to which a record's points belong: decides their lot and run.

    The record's own, but of what is told of a run after its end (`findings.LATE`).
    """
    return findings.moment(record) if type(record) is Finding else record.at_ns


class Meaning:
    """What entries mean by these spans, places and times, none of which may change meanwhile."""

    def __init__(self, bay: str, spans: Spans, places: Places, times: Times) -> None:
        self._bay, self._spans, self._places, self._times = bay, spans, places, times
        self._forms: dict[tuple[Any, ...], _Form] = {}

    def lines(self, records: Sequence[Record]) -> list[Line]:
        """The lines of some records, in their order; of a record that means nothing there, none."""
        found: list[Line] = []
        forms, places, times = self._forms, self._places, self._times
        from_ns, until_ns, shift_ns = 0, -1, 0
        from_seq, until_seq = 0, -1
        for record in records:
            if type(record) is not Reading:
                if type(record) is Finding:
                    found += self._of_finding(record)
                continue
            at_ns, channel, number, exp, unit, stable, status, _, _, seq = record
            if not from_ns <= at_ns < until_ns:
                from_ns, end_ns, shift_ns = times.stretch(at_ns)
                until_ns = FOR_EVER if end_ns is None else end_ns
            if not from_seq <= seq < until_seq:
                layout = places.layout(seq)
                from_seq, until_seq = layout.from_seq, layout.until_seq or FOR_EVER
            key = (channel, unit, exp, stable, status, from_seq)
            form = forms.get(key, _NO_FORM)
            if not form.from_ns <= at_ns < form.until_ns:
                form = self._learn(key, record)
            value = ""
            if form.denominator:
                try:
                    value = repr(number * form.numerator / form.denominator)
                except OverflowError:  # no scale shows that
                    form = self._learn((*key, None), record._replace(status="out-of-range"))
                if value.endswith(".0"):
                    value = value[:-2]
            time_ns = at_ns - at_ns % SLOT_NS + shift_ns + seq % APART
            for head, tail in form.ends:
                found.append(Line(seq, at_ns, f"{head}{value}{tail}{time_ns}"))
        return found

    def _learn(self, key: tuple[Any, ...], reading: Reading) -> _Form:
        """How such a reading is written at its time."""
        from_ns, until_ns = 0, FOR_EVER
        name, ratio = field_of(reading)
        ends = []
        for place in self._places.layout(reading.seq).of(reading.channel):
            start_ns, end_ns, tag = self._spans.stretch(place.station, reading.at_ns)
            from_ns, until_ns = max(from_ns, start_ns), min(until_ns, end_ns or FOR_EVER)
            fields: dict[str, Value] = {name: 0.5} if ratio else {"status": name}
            if reading.stable is not None:
                fields["stable"] = reading.stable
            text = self._text(_of_reading(reading, place), tag, fields | {"withdrawn": 0}, 0)[:-1]
            head, value, tail = text.partition(f"{name}=0.5") if ratio else (text, "", "")
            ends.append((head + value.removesuffix("0.5"), tail))
        form = _Form(from_ns, until_ns, *(ratio or (0, 0)), tuple(ends))
        if len(self._forms) >= MANY:  # the unit comes from a wire
            self._forms.clear()
        self._forms[key] = form
        return form

    def _of_finding(self, finding: Finding) -> list[Line]:
        """The lines of a finding; of what a run came to, only where its time belongs to that run."""
        lines = []
        for each in self._said(finding):
            at_ns, tag, fields = finding.at_ns, each.tag, each.fields
            if tag is None:
                at_ns = moment(finding)
                tag, fields = self._spans.at(each.station, at_ns), fields | {"withdrawn": 0}
                if each.run not in ("", tag.run):
                    continue
            lines.append(self._line(finding, at_ns, each, tag, fields))
        return lines

    def withdrawn(self, records: Sequence[Record], changed: Sequence[Changed]) -> list[Line]:
        """The lines that mark (`MARK`) those points of the records that lie in a changed stretch, under
        the tag that they had there."""
        lines = []
        for record in records:
            at_ns = moment(record)
            for each in self._said(record):
                was = next((stretch.was for stretch in changed if _holds(stretch, each.station, at_ns)), None)
                if was is not None and each.tag is None and each.run in ("", was.run):
                    lines.append(self._line(record, at_ns, each, was, MARK))
        return lines

    def _said(self, record: Record) -> list[Said]:
        """The points of a record, the fields of a reading left out."""
        layout = self._places.layout(record.seq)
        if type(record) is Reading:
            return [_of_reading(record, place) for place in layout.of(record.channel)]
        return findings.said(record, layout, self._times) if type(record) is Finding else []

    def _line(self, record: Record, at_ns: int, said: Said, tag: Tag, fields: Mapping[str, Value]) -> Line:
        time_ns = self._times.wall_ns(at_ns // SLOT_NS * SLOT_NS) + record.seq % APART
        return Line(record.seq, record.at_ns, self._text(said, tag, fields, time_ns))

    def _text(self, said: Said, tag: Tag, fields: Mapping[str, Value], time_ns: int) -> str:
        """One line, escaped by the library."""
        point: Any = Point(said.measurement)  # type: ignore[no-untyped-call]
        tags = {"bay": self._bay, "station": said.station, "run": tag.run, "lot": tag.lot} | said.tags
        for name, value in tags.items():
            point.tag(name, tag_value(value))
        for name, field in fields.items():
            point.field(name, _NOT_TEXT.sub(" ", field)[:LONGEST_TEXT] if isinstance(field, str) else field)
        return str(point.time(time_ns).to_line_protocol())


def _of_reading(reading: Reading, place: Place) -> Said:
    return Said("reading", place.station, {"channel": reading.channel, "outlet": place.outlet}, {})


def field_of(reading: Reading) -> tuple[str, tuple[int, int] | None]:
    """The field a reading's number goes to, and the exact ratio (numerator, denominator) of its unit to the
    field's; or why it has no value there, and None."""
    unit, exp = reading.unit, reading.exp
    if reading.status not in USABLE:
        return reading.status, None
    if unit == PULSE:
        return "pulses", (10 ** max(exp, 0), 10 ** max(-exp, 0))
    for name, of, divisor in (
        ("kg", mg_ratio, 10**6),
        ("l_min", flow_ratio, 10**9),
        ("l", volume_ratio, 10**9),
    ):
        ratio = of(unit, exp)
        if ratio is not None:
            return name, (ratio[0], ratio[1] * divisor)
    return "unknown-unit", None


def _holds(changed: Changed, station: str, at_ns: int) -> bool:
    inside = changed.to_ns is None or at_ns < changed.to_ns
    return changed.station == station and changed.from_ns <= at_ns and inside
