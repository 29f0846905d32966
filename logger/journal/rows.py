"""Records to rows and back, exactly. No SQL here but the statements that the rows belong to.

A record that cannot be written as it is (a float that is no number, a value that is not JSON) must not
stop the record of everything else: its data becomes ``{"not-json": text}``, counted in `Encoder.spoiled`.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from typing import Any

from pydantic import ValidationError

from logger.core.actions import BODY, body_json
from logger.core.entries import Action, Circumstance, Entry, Finding, Garbage, Reading, Record, Tick
from logger.journal.errors import JournalError

STRETCH_NS = 1 << 47  # SQLite keeps an integer below this in 6 bytes
_INT64 = 1 << 63

Row = tuple[Any, ...]
Shape = tuple[str, int, str, bool | None, str, str]  # channel, exp, unit, stable, status, mode

INSERT_BOOT = "INSERT INTO boots VALUES (?, ?, ?)"
INSERT_STRETCH = "INSERT INTO stretches VALUES (?, ?, ?)"
INSERT_SHAPE = "INSERT INTO shapes VALUES (?, ?, ?, ?, ?, ?, ?)"
INSERT_READING = "INSERT INTO readings VALUES (?, ?, ?, ?, ?, ?)"
INSERT_ENTRY = "INSERT INTO entries VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)"


def _text(text: str) -> str | bytes:
    """As it is, or as bytes where it is not valid Unicode (lone surrogates)."""
    if text.isascii():
        return text
    try:
        text.encode()
    except UnicodeEncodeError:
        return text.encode("utf-8", "surrogatepass")
    return text


def _untext(text: str | bytes) -> str:
    return text if isinstance(text, str) else text.decode("utf-8", "surrogatepass")


class Encoder:
    """Gives repeated things their small ids. New ids are *pending* until the commit has returned."""

    def __init__(self, boot_id: str, offset_ns: int) -> None:
        self.boot_id, self.offset_ns = boot_id, offset_ns
        self.spoiled = 0
        self._boot = 0  # id; 0: not entered yet
        self._next_boot = self._next_stretch = self._next_shape = 1
        self._stretch, self._origin_ns = 0, 0
        self._shapes: dict[Row, int] = {}
        self._before = (0, 1, 1, 1)
        self.new_boots: list[Row] = []
        self.new_stretches: list[Row] = []
        self.new_shapes: list[Row] = []

    def load(self, boots: Iterable[Row], last_stretch: int, shapes: Iterable[Row]) -> None:
        """Take over what the tables hold already."""
        for number, boot_id, offset_ns in boots:
            self._next_boot = max(self._next_boot, number + 1)
            if (boot_id, offset_ns) == (self.boot_id, self.offset_ns):
                self._boot = number
        self._next_stretch = last_stretch + 1
        for number, channel, exp, unit, status, mode, stable in shapes:
            key = (_untext(channel), exp, _untext(unit), _untext(status), _untext(mode), stable)
            self._shapes[key] = number
            self._next_shape = max(self._next_shape, number + 1)

    def encode(self, records: Sequence[Record], first_seq: int) -> tuple[list[Row], list[Row]]:
        """Rows of readings and rows of entries; JournalError where a seq is out of order."""
        self._before = (self._boot, self._next_boot, self._next_stretch, self._next_shape)
        readings: list[Row] = []
        entries: list[Row] = []
        shapes, expected = self._shapes, first_seq
        for record in records:
            if record.seq != expected:
                raise JournalError(
                    f"record with seq {record.seq} where {expected} was due; nothing of it was written; "
                    "enter records once each, in order",
                    "order",
                )
            expected += 1
            since = record.at_ns - self._origin_ns
            if self._stretch == 0 or not -STRETCH_NS <= since < STRETCH_NS:
                since = self._new_stretch(record.at_ns)
            if type(record) is Reading:
                _, channel, number, exp, unit, stable, status, mode, raw, seq = record
                key = (channel, exp, unit, status, mode, stable)
                shape = shapes.get(key) or self._new_shape(key)
                if not -_INT64 <= number < _INT64:
                    readings.append((seq, self._stretch, since, shape, str(number), raw or None))
                else:
                    readings.append((seq, self._stretch, since, shape, number, raw or None))
            else:
                entries.append((record.seq, self._stretch, since, *self._entry(record)))
        return readings, entries

    def settle(self, committed: bool) -> None:
        """The commit has returned, or failed: keep the pending ids, or forget them."""
        if not committed:
            first_pending = self._before[3]
            self._shapes = {key: number for key, number in self._shapes.items() if number < first_pending}
            self._boot, self._next_boot, self._next_stretch, self._next_shape = self._before
            self._stretch = 0  # the next record begins a new one
        self.new_boots, self.new_stretches, self.new_shapes = [], [], []

    def _new_stretch(self, at_ns: int) -> int:
        if not self._boot:
            self._boot, self._next_boot = self._next_boot, self._next_boot + 1
            self.new_boots.append((self._boot, self.boot_id, self.offset_ns))
        self._stretch, self._next_stretch = self._next_stretch, self._next_stretch + 1
        self._origin_ns = at_ns
        self.new_stretches.append((self._stretch, self._boot, at_ns - self.offset_ns))
        return 0

    def _new_shape(self, key: Row) -> int:
        number, self._next_shape = self._next_shape, self._next_shape + 1
        self._shapes[key] = number
        channel, exp, unit, status, mode, stable = key
        words = (_text(channel), exp, _text(unit), _text(status), _text(mode))
        self.new_shapes.append((number, *words, None if stable is None else int(stable)))
        return number

    def _entry(self, record: Record) -> Row:
        """(type, kind, subject, cause, data, raw)"""
        match record:
            case Finding():
                data = self._json(record.data, sort=True)
                return "finding", _text(record.kind), _text(record.subject), record.cause, data, None
            case Garbage():
                return "garbage", _text(record.reason), _text(record.channel), None, None, record.raw
            case Circumstance():
                data = self._json(record.data, sort=False)
                return "circumstance", _text(record.kind), _text(record.subject), None, data, None
            case Action():
                said = {"id": record.id, "who": record.who, "body": body_json(record.body)}
                return "action", _text(record.body.action), None, None, self._json(said, sort=False), None
            case Tick():
                return "tick", None, None, None, None, None
        raise JournalError(f"{type(record).__name__} is no record; enter those of core.entries", "order")

    def _json(self, data: Any, *, sort: bool) -> str:
        # what feeds the fold keeps its own order, so that a replay meets the very same values;
        # findings are sorted, so that equal ones are equal to the byte
        try:
            return json.dumps(data, sort_keys=sort, separators=(",", ":"), allow_nan=False)
        except (TypeError, ValueError, RecursionError):
            self.spoiled += 1
            return json.dumps({"not-json": repr(data)[:10_000]}, separators=(",", ":"))


def _action(at_ns: int, data: str, seq: int) -> Action:
    said = json.loads(data)
    try:
        body = BODY.validate_python(said["body"])
    except ValidationError as error:
        raise JournalError(
            f"seq {seq}: the action {data} does not fit this version ({error}); "
            "start the version that wrote it",
            "schema",
        ) from error
    return Action(at_ns, body, said["id"], said["who"], seq)


class Decoder:
    """Rows to records. Keeps the ids met so far; KeyError where a row uses one that came later."""

    def __init__(self) -> None:
        self._origins: dict[int, int] = {}
        self._shapes: dict[int, Shape] = {}

    @property
    def origins(self) -> dict[int, int]:
        return self._origins

    @property
    def shapes(self) -> dict[int, Shape]:
        return self._shapes

    @property
    def last_stretch(self) -> int:
        return max(self._origins, default=0)

    @property
    def last_shape(self) -> int:
        return max(self._shapes, default=0)

    def learn(self, stretches: Iterable[Row], shapes: Iterable[Row]) -> None:
        """Stretches as (id, at_ns of its beginning), shapes as in their table."""
        self._origins.update(stretches)
        for number, channel, exp, unit, status, mode, stable in shapes:
            self._shapes[number] = (
                _untext(channel),
                exp,
                _untext(unit),
                None if stable is None else bool(stable),
                _untext(status),
                _untext(mode),
            )

    def readings(self, rows: Iterable[Row]) -> list[Record]:
        origins, shapes = self._origins, self._shapes
        records: list[Record] = []
        for seq, stretch, since, shape, number, raw in rows:
            channel, exp, unit, stable, status, mode = shapes[shape]
            value = number if type(number) is int else int(number)
            at_ns = origins[stretch] + since
            records.append(Reading(at_ns, channel, value, exp, unit, stable, status, mode, raw or b"", seq))
        return records

    def entries(self, rows: Iterable[Row]) -> list[Record]:
        return [self._entry(row) for row in rows]

    def _entry(self, row: Row) -> Entry | Finding:
        seq, stretch, since, type_, kind, subject, cause, data, raw = row
        at_ns = self._origins[stretch] + since
        match type_:
            case "finding":
                return Finding(at_ns, _untext(kind), _untext(subject), cause, json.loads(data), seq)
            case "garbage":
                return Garbage(at_ns, _untext(subject), raw, _untext(kind), seq)
            case "circumstance":
                return Circumstance(at_ns, _untext(kind), _untext(subject), json.loads(data), seq)
            case "action":
                return _action(at_ns, data, seq)
            case "tick":
                return Tick(at_ns, seq)
        raise JournalError(
            f"seq {seq}: a record of type {type_!r} is not known; start a newer version", "schema"
        )
