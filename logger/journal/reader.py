"""Reading the past: shared by the writer and by read-only connections.

A SELECT left open keeps the write-ahead log from being emptied, so every query fetches all it asks for,
a whole chunk at a time, and ends.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from operator import itemgetter
from pathlib import Path
from types import TracebackType
from typing import Any, Self
from urllib.parse import quote

import apsw

from logger.clock import stopwatch_ns
from logger.core.entries import Action, Circumstance, Finding, Record
from logger.journal import schema
from logger.journal.cursors import Aside
from logger.journal.errors import JournalError, explained
from logger.journal.room import beside, identity
from logger.journal.rows import Decoder, Row, Shape

_READINGS = "SELECT seq, stretch, since_ns, shape, number, raw FROM readings WHERE seq > ? AND seq <= ?"
_NUMBERS = _READINGS.replace(", raw", "") + " ORDER BY seq"
_ENTRIES = (
    "SELECT seq, stretch, since_ns, type, kind, subject, cause, data, raw FROM entries "
    "WHERE seq > ? AND seq <= ?"
)
_STRETCHES = (
    "SELECT s.id, b.offset_ns + s.base_ns FROM stretches s JOIN boots b ON b.id = s.boot WHERE s.id > ?"
)
_SHAPES = "SELECT id, channel, exp, unit, status, mode, stable FROM shapes WHERE id > ?"
_MOMENTS = [
    "SELECT max(b.offset_ns + s.base_ns + r.since_ns) FROM readings r "
    "JOIN stretches s ON s.id = r.stretch JOIN boots b ON b.id = s.boot WHERE r.seq > ?",
    "SELECT max(b.offset_ns + s.base_ns + e.since_ns) FROM entries e "
    "JOIN stretches s ON s.id = e.stretch JOIN boots b ON b.id = s.boot WHERE e.seq > ?",
]
# one statement, so that both tables are seen as they were at one moment; and a subquery for each end,
# because min and max together would look at every row
_ENDS = (
    "SELECT min(first), max(last) FROM ("
    "SELECT (SELECT min(seq) FROM readings) AS first, (SELECT max(seq) FROM readings) AS last UNION ALL "
    "SELECT (SELECT min(seq) FROM entries), (SELECT max(seq) FROM entries))"
)
_seq_of = itemgetter(-1)


class Past:
    """What can be asked of a journal, whichever connection is used."""

    def __init__(self, path: Path, connection: apsw.Connection) -> None:
        self.path = path
        self._connection = connection
        self._decoder = Decoder()

    def _all(self, statement: str, bindings: Row = ()) -> list[Row]:
        with explained(self.path, "reading the journal"):
            return self._connection.execute(statement, bindings).fetchall()

    def _one(self, statement: str, bindings: Row = ()) -> Any:
        """The first column of the first row, or None."""
        rows = self._all(statement, bindings)
        return rows[0][0] if rows else None

    def _ends(self) -> tuple[int, int]:
        """First and last seq that the file holds; (0, 0) where it is empty."""
        first, last = self._all(_ENDS)[0]
        return first or 0, last or 0

    def _learn(self) -> None:
        decoder = self._decoder
        decoder.learn(
            self._all(_STRETCHES, (decoder.last_stretch,)), self._all(_SHAPES, (decoder.last_shape,))
        )

    def _window(self, after: int, upto: int, findings: bool) -> list[Record]:
        readings = self._all(_READINGS, (after, upto))
        entries = self._all(_ENTRIES + ("" if findings else " AND type <> 'finding'"), (after, upto))
        try:
            records = self._decoder.readings(readings)
        except KeyError:
            self._learn()
            records = self._decoder.readings(readings)
        if entries:
            try:
                others = self._decoder.entries(entries)
            except KeyError:
                self._learn()
                others = self._decoder.entries(entries)
            records += others
            records.sort(key=_seq_of)
        return records

    def read(
        self, after: int = 0, upto: int | None = None, *, findings: bool = True, chunk: int = 5000
    ) -> Iterator[Record]:
        """Records with ``after < seq <= upto`` in order of seq; what comes in meanwhile is left out.

        Fetches ``chunk`` seqs at a time and never leaves a query open in between.
        Raises JournalError where the file cannot be read.
        """
        first, last = self._ends()
        end = last if upto is None else min(upto, last)
        position = max(after, first - 1)
        while position < end:
            following = min(position + chunk, end)
            yield from self._window(position, following, findings)
            position = following

    def reading_rows(
        self, after: int, upto: int | None, chunk: int
    ) -> Iterator[tuple[list[Row], Mapping[int, int], Mapping[int, Shape]]]:
        """For `columns`: rows (seq, stretch, since_ns, shape, number), beginnings of stretches, shapes."""
        first, last = self._ends()
        end = last if upto is None else min(upto, last)
        for position in range(max(after, first - 1), end, chunk):
            rows = self._all(_NUMBERS, (position, min(position + chunk, end)))
            if rows:
                self._learn()
                yield rows, self._decoder.origins, self._decoder.shapes

    def others(self, after: int, upto: int) -> tuple[list[Record], int]:
        """Records with ``after < seq <= upto`` that are no readings, in order; and how many readings there
        are between them, which are counted only: for those who need no reading."""
        entries = self._all(_ENTRIES, (after, upto))
        count = self._one("SELECT count(*) FROM readings WHERE seq > ? AND seq <= ?", (after, upto))
        if entries:
            self._learn()
        return sorted(self._decoder.entries(entries), key=_seq_of), int(count or 0)

    def kinds(self, after: int, upto: int) -> set[str]:
        """Which kinds of findings and circumstances there are with ``after < seq <= upto``."""
        rows = self._all(
            "SELECT DISTINCT kind FROM entries WHERE seq > ? AND seq <= ? "
            "AND type IN ('finding', 'circumstance')",
            (after, upto),
        )
        return {kind for (kind,) in rows}

    def cursor(self, name: str) -> tuple[int, str]:
        """(seq, state) of a follower; (0, "") where it is new."""
        found = self._all("SELECT seq, state FROM cursors WHERE name = ?", (name,))
        return (found[0][0], found[0][1]) if found else (0, "")

    def aside(self, follower: str, limit: int = 1000) -> list[Aside]:
        """What a follower set aside, the newest first."""
        rows = self._all(
            "SELECT seq, at_ns, reason, text FROM aside WHERE follower = ? ORDER BY id DESC LIMIT ?",
            (follower, limit),
        )
        return [Aside(*row) for row in rows]

    def findings(self, kind: str, chunk: int = 200_000) -> Iterator[Finding]:
        """All findings of a kind, in order of seq, without reading what lies between."""
        yield from self._of_type("finding", kind, chunk)  # type: ignore[misc]

    def findings_in(self, first: int, last: int, kinds: Sequence[str]) -> list[Finding]:
        """The findings of some kinds in a range of seq, both ends included, in order."""
        marks = ", ".join("?" * len(kinds))
        rows = self._all(f"{_ENTRIES} AND type = 'finding' AND kind IN ({marks})", (first - 1, last, *kinds))
        if rows:
            self._learn()
        found = (record for record in self._decoder.entries(rows) if isinstance(record, Finding))
        return sorted(found, key=_seq_of)

    def circumstances(self, kind: str, chunk: int = 200_000) -> Iterator[Circumstance]:
        """All circumstances of a kind, in order of seq."""
        yield from self._of_type("circumstance", kind, chunk)  # type: ignore[misc]

    def actions(self, kind: str, chunk: int = 200_000) -> Iterator[Action]:
        """All actions of a kind (``open-lot``, …), in order of seq, taken or refused."""
        yield from self._of_type("action", kind, chunk)  # type: ignore[misc]

    def _of_type(self, type_name: str, kind: str, chunk: int) -> Iterator[Record]:
        first, last = self._ends()
        for position in range(max(first - 1, 0), last, chunk):
            rows = self._all(
                _ENTRIES + " AND type = ? AND kind = ?",
                (position, min(position + chunk, last), type_name, kind),
            )
            if rows:
                self._learn()
                yield from sorted(self._decoder.entries(rows), key=_seq_of)

    def first_seq_at(self, at_ns: int) -> int:
        """The seq of the first record not before that station time; last + 1 where there is none.

        By bisection over seq: station time never runs backwards, so no index by time is needed.
        """
        low, high = self._ends()
        low, high = max(low, 1), high + 1
        while low < high:
            middle = (low + high) // 2
            found = next(iter(self._window(middle - 1, middle, True)), None)
            if found is not None and found.at_ns < at_ns:
                low = middle + 1
            else:
                high = middle
        return low

    def _last_moment(self) -> int:
        """Latest station time among the last records; 0 for an empty journal."""
        _, last = self._ends()
        # ports stamp before the loop gives the seq: the very last one need not be the latest
        moments = [self._one(statement, (last - 200,)) for statement in _MOMENTS]
        return max((at_ns for at_ns in moments if at_ns is not None), default=0)

    def load_checkpoint(self, key: str, older: int = 0) -> tuple[int, bytes] | None:
        """(seq, blob) of the newest checkpoint under that key; ``older=1``: of the one before it."""
        rows = self._all(
            "SELECT seq, blob FROM checkpoints WHERE key = ? ORDER BY id DESC LIMIT 1 OFFSET ?", (key, older)
        )
        return (rows[0][0], rows[0][1]) if rows else None

    def configuration(self, digest: str) -> str | None:
        """The text of the configuration with that digest, if it was remembered."""
        text = self._one("SELECT text FROM configurations WHERE digest = ?", (digest,))
        return None if text is None else str(text)


class JournalReader(Past):
    """A read-only connection, for followers, the board and replay, also while a daemon writes.

    ``limit_s`` bounds every single query. JournalError where the file is missing, is no journal, is of
    a newer schema, or a query takes too long.
    """

    def __init__(self, path: Path, *, limit_s: float = 10.0) -> None:
        path = Path(path)
        self.path = path
        self._limit_ns = int(limit_s * 1e9)
        self._deadline_ns = 0
        self._attach()

    def _attach(self) -> None:
        path = self.path
        with explained(path, "opening the journal to read"):
            if not path.exists():
                raise JournalError(f"{path} does not exist; check the path of the journal", "missing")
            self._file = identity(path)
            connection = _connect_to_read(path)
            super().__init__(path, connection)
            try:
                connection.set_progress_handler(lambda: stopwatch_ns() > self._deadline_ns, 20_000)
                self._deadline_ns = stopwatch_ns() + self._limit_ns
                if schema.version(connection, path) == 0:
                    raise JournalError(f"{path} is empty so far; start the daemon first", "missing")
            except BaseException:
                connection.close()
                raise

    def _ends(self) -> tuple[int, int]:
        # the daemon may have begun a new file under the name (the old one was damaged or removed)
        if identity(self.path) != self._file:
            self._connection.close()
            self._attach()
        return super()._ends()

    def _all(self, statement: str, bindings: Row = ()) -> list[Row]:
        self._deadline_ns = stopwatch_ns() + self._limit_ns
        return super()._all(statement, bindings)

    @property
    def last_seq(self) -> int:
        """The last seq committed by now."""
        return self._ends()[1]

    @property
    def first_at_ns(self) -> int:
        """Station time of the first record; 0 where there is none."""
        first, _ = self._ends()
        found = self._window(first - 1, first, True) if first else []
        return found[0].at_ns if found else 0

    @property
    def last_at_ns(self) -> int:
        """Station time of the last entry committed by now; 0 where there is none."""
        return self._last_moment()

    def close(self) -> None:
        self._connection.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def _connect_to_read(path: Path) -> apsw.Connection:
    connection = apsw.Connection(str(path), flags=apsw.SQLITE_OPEN_READONLY)
    connection.set_busy_timeout(2000)
    try:
        connection.execute("SELECT count(*) FROM sqlite_schema").fetchall()
    except (apsw.CantOpenError, apsw.ReadOnlyError):
        # a copy on a medium that cannot be written: fine, as long as nothing waits in a log beside it
        connection.close()
        log = beside(path, "-wal")
        if log.exists() and log.stat().st_size:
            raise
        uri = f"file:{quote(str(path.resolve()))}?immutable=1"
        connection = apsw.Connection(uri, flags=apsw.SQLITE_OPEN_READONLY | apsw.SQLITE_OPEN_URI)
    connection.pragma("trusted_schema", False)
    return connection


def boot_offset(path: Path, boot_id: str) -> int | None:
    """The newest offset (ns) the journal at ``path`` knows of that boot; None where it knows none.

    For `clock.Clock.keep_offset` before the journal is opened. A missing or unreadable file knows none.
    """
    try:
        with JournalReader(path) as reader:
            offset = reader._one(
                "SELECT offset_ns FROM boots WHERE boot_id = ? ORDER BY id DESC LIMIT 1", (boot_id,)
            )
    except JournalError:
        return None
    return None if offset is None else int(offset)


def last_moment(path: Path) -> int:
    """Station time of the last entry of the journal at ``path``; 0 where there is none to be read.

    For `clock.Clock.not_before`, before the journal is opened with the clock's offset.
    """
    try:
        with JournalReader(path) as reader:
            return reader.last_at_ns
    except JournalError:
        return 0
