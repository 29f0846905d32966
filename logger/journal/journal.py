"""The one connection that writes. Every append is one durable transaction, or nothing.

WAL with ``synchronous=FULL``: with NORMAL a power cut takes back commits that had returned. SQLite comes
with `apsw`, because versions 3.7.0 to 3.51.2 can damage a file that several connections use.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Self

import apsw

from logger.clock import stopwatch_ns
from logger.core.entries import Record
from logger.journal import room, rows, schema
from logger.journal.errors import JournalError, explain, explained
from logger.journal.reader import JournalReader, Past, boot_offset, last_moment

__all__ = ["Journal", "JournalError", "JournalReader", "boot_offset", "last_moment"]

LOG_LIMIT = 16 << 20  # bytes the write-ahead log's file is cut back to after a reader has let it grow
KEYS_KEPT = 4  # checkpoints are kept under this many keys


class Journal(Past):
    """The journal of one bay. Make it with `open`; use it from one thread at a time."""

    def __init__(
        self, path: Path, lock: room.Lock, ballast: room.Ballast, check_s: float, encoder: rows.Encoder
    ) -> None:
        with explained(path, "opening the journal"):
            connection, self.checked = _connect(path, check_s)
        super().__init__(path, connection)
        self._lock, self._ballast, self._encoder = lock, ballast, encoder
        self._open = True
        self.set_aside: Path | None = None
        try:
            encoder.load(
                self._all("SELECT id, boot_id, offset_ns FROM boots"),
                self._one("SELECT max(id) FROM stretches") or 0,
                self._all("SELECT id, channel, exp, unit, status, mode, stable FROM shapes"),
            )
            before = self._one("SELECT value FROM meta WHERE name = 'seq-before'") or 0
            last = self._ends()[1]
            self._empty = last == 0
            self.last_seq = max(last, before)
            self.last_at_ns = self._last_moment()
            room.sync_folder(path.parent)
        except BaseException:
            connection.close(True)
            raise

    @classmethod
    def open(
        cls,
        path: Path,
        *,
        boot_id: str,
        offset_ns: int,
        ballast_bytes: int = 8 << 20,
        check_s: float = 1.0,
    ) -> Self:
        """Open or begin the journal at ``path``, bring its schema up to date and check it.

        A damaged file is set aside under another name (``set_aside``) and a new one begun; seq goes on
        where the damaged one ended if that can still be read. The check takes ``check_s`` seconds at
        most: ``checked`` False says that it did not come to the end of a large file.
        Raises JournalError: another daemon writes it, it is no journal, its schema is newer.
        """
        path = Path(path)
        ballast = room.Ballast(path, ballast_bytes)
        with explained(path, "opening the journal"):
            path.parent.mkdir(parents=True, exist_ok=True)
            lock = room.Lock(path)
            try:
                journal = cls._begin(path, lock, ballast, check_s, rows.Encoder(boot_id, offset_ns))
            except BaseException:
                lock.release()
                raise
        ballast.restore()
        return journal

    @classmethod
    def _begin(
        cls, path: Path, lock: room.Lock, ballast: room.Ballast, check_s: float, encoder: rows.Encoder
    ) -> Self:
        """One try; after a remedy (a damaged file set aside, the ballast given up) a second."""
        try:
            return cls(path, lock, ballast, check_s, encoder)
        except JournalError as error:
            if error.kind == "full" and ballast.release():
                return cls(path, lock, ballast, check_s, encoder)
            if error.kind != "damaged":
                raise
        seq_before = _salvage_seq(path)
        away = room.set_aside(path)
        journal = cls(path, lock, ballast, check_s, encoder)
        journal.set_aside = away
        if seq_before:
            with journal._transaction("beginning a new journal") as connection:
                connection.execute("INSERT INTO meta VALUES ('seq-before', ?)", (seq_before,))
            journal.last_seq = seq_before
        return journal

    @property
    def spoiled(self) -> int:
        """Records whose data could not be written as JSON since the journal was opened."""
        return self._encoder.spoiled

    def append(self, records: Sequence[Record]) -> None:
        """Enter records whose seqs go on from ``last_seq``: one transaction, durable on return.

        Raises JournalError with nothing written; the same records can then be given again. Into a
        journal that was just begun, any seq above ``last_seq`` may be the first.
        """
        if not records:
            return
        self._require_open()
        encoder = self._encoder
        first = max(self.last_seq + 1, records[0].seq if self._empty else 0)
        committed = False
        try:
            readings, entries = encoder.encode(records, first)
            with self._transaction("writing the journal") as connection:
                for statement, new in (
                    (rows.INSERT_BOOT, encoder.new_boots),
                    (rows.INSERT_STRETCH, encoder.new_stretches),
                    (rows.INSERT_SHAPE, encoder.new_shapes),
                    (rows.INSERT_READING, readings),
                    (rows.INSERT_ENTRY, entries),
                ):
                    if new:
                        connection.executemany(statement, new)
            committed = True
        finally:
            encoder.settle(committed)
        self._empty = False
        self.last_seq = records[-1].seq
        self.last_at_ns = max(self.last_at_ns, records[-1].at_ns)

    @contextlib.contextmanager
    def _transaction(self, doing: str) -> Iterator[apsw.Connection]:
        """Yield the connection inside one transaction; JournalError, rolled back, where it fails."""
        self._require_open()
        connection = self._connection
        try:
            connection.execute("BEGIN IMMEDIATE")
            yield connection
            connection.execute("COMMIT")
        except BaseException as error:
            if connection.in_transaction:  # SQLite has rolled back by itself after some errors
                with contextlib.suppress(apsw.Error):
                    connection.execute("ROLLBACK")
            if isinstance(error, apsw.Error | OSError | OverflowError):
                raise explain(error, self.path, doing) from error
            raise

    def _require_open(self) -> None:
        if not self._open:
            raise JournalError(f"{self.path} has been closed; open it again")

    def save_checkpoint(self, seq: int, key: str, blob: bytes) -> None:
        """Keep the fold's state after ``seq`` under a key; the newest two a key, the newest few keys."""
        with self._transaction("saving a checkpoint") as connection:
            connection.execute("INSERT INTO checkpoints (key, seq, blob) VALUES (?, ?, ?)", (key, seq, blob))
            connection.execute(
                "DELETE FROM checkpoints WHERE key = ? AND id NOT IN "
                "(SELECT id FROM checkpoints WHERE key = ? ORDER BY id DESC LIMIT 2)",
                (key, key),
            )
            connection.execute(
                "DELETE FROM checkpoints WHERE key NOT IN "
                "(SELECT key FROM checkpoints GROUP BY key ORDER BY max(id) DESC LIMIT ?)",
                (KEYS_KEPT,),
            )

    def remember_configuration(self, digest: str, text: str) -> None:
        """Keep the text of a configuration; the same digest again changes nothing."""
        with self._transaction("remembering the configuration") as connection:
            connection.execute("INSERT OR IGNORE INTO configurations VALUES (?, ?)", (digest, text))

    def save_cursor(self, name: str, seq: int, state: str = "") -> None:
        """Keep how far a follower has come."""
        with self._transaction("moving a cursor") as connection:
            connection.execute("INSERT OR REPLACE INTO cursors VALUES (?, ?, ?)", (name, seq, state))

    def cursor(self, name: str) -> tuple[int, str]:
        """(seq, state) of a follower; (0, "") where it is new."""
        found = self._all("SELECT seq, state FROM cursors WHERE name = ?", (name,))
        return (found[0][0], found[0][1]) if found else (0, "")

    def free_bytes(self) -> int:
        """Room on the disk."""
        return room.free_bytes(self.path.parent)

    def wal_bytes(self) -> int:
        """Size of the write-ahead log's file; 0 where there is none."""
        try:
            return room.beside(self.path, "-wal").stat().st_size
        except FileNotFoundError:
            return 0

    def release_ballast(self) -> bool:
        """Give the ballast up for room; True where there was any."""
        return self._ballast.release()

    def restore_ballast(self) -> bool:
        """Put the ballast back if there is room for twice as much; True where it stands."""
        return self._ballast.restore()

    def close(self) -> None:
        """Fold the log into the file and let go of it. Again: nothing."""
        if not self._open:
            return
        self._open = False
        try:
            # what cannot be folded in now (no room, a reader) is safe in the log
            with contextlib.suppress(apsw.Error):
                self._connection.wal_checkpoint(mode=apsw.SQLITE_CHECKPOINT_TRUNCATE)
                self._connection.config(apsw.SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE, 0)  # takes the log away
            self._connection.close(True)
        finally:
            self._lock.release()


def _connect(path: Path, check_s: float) -> tuple[apsw.Connection, bool]:
    """A connection ready to write, and whether the check came to its end. Damage raises CorruptError."""
    connection = apsw.Connection(str(path))
    try:
        connection.set_busy_timeout(2000)
        # a file found to be damaged is let go of as it lies; `Journal.close` folds the log in itself
        connection.config(apsw.SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE, 1)
        connection.pragma("trusted_schema", False)
        schema.version(connection, path)  # before anything is written to a file that is not ours
        if connection.pragma("journal_mode", "wal") != "wal":
            raise JournalError(f"{path}: no write-ahead log on this file system; use a local disk", "io")
        connection.pragma("synchronous", "full")
        connection.pragma("journal_size_limit", LOG_LIMIT)
        checked = _check(connection, check_s)
        schema.migrate(connection, path)
    except BaseException:
        connection.close(True)
        raise
    return connection, checked


def _check(connection: apsw.Connection, check_s: float) -> bool:
    deadline_ns = stopwatch_ns() + int(check_s * 1e9)
    connection.set_progress_handler(lambda: stopwatch_ns() > deadline_ns, 20_000)
    try:
        answer = connection.execute("PRAGMA quick_check(1)").get
    except apsw.InterruptError:
        return False
    finally:
        connection.set_progress_handler(None)
    if answer != "ok":
        raise apsw.CorruptError(str(answer))
    return True


def _salvage_seq(path: Path) -> int:
    """The last seq of a damaged file, if it can be read and is not out of all proportion; else 0."""
    try:
        with JournalReader(path, limit_s=1.0) as reader:
            first, last = reader._ends()
    except (JournalError, apsw.Error):
        return 0
    plausible = last - first <= path.stat().st_size and first < 1 << 50
    return last if plausible else 0
