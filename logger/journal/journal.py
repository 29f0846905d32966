"""The one connection that writes. Every append is one durable transaction, or nothing.

WAL with ``synchronous=FULL``: with NORMAL a power cut takes back commits that had returned. SQLite comes
with `apsw`, because versions 3.7.0 to 3.51.2 can damage a file that several connections use.
"""

from __future__ import annotations

import contextlib
import logging
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Self

import apsw

from logger.core.entries import Record
from logger.journal import cursors, rescue, room, rows
from logger.journal.connect import connect_to_write
from logger.journal.cursors import Cursor
from logger.journal.errors import JournalError, explain, explained
from logger.journal.reader import JournalReader, Past, boot_offset, last_moment

log = logging.getLogger(__name__)

__all__ = ["Journal", "JournalError", "JournalReader", "boot_offset", "last_moment"]

CHECK_S = 1.0  # the check of a file may take this long before recording starts
KEYS_KEPT = 4  # checkpoints are kept under this many keys


class Journal(Past):
    """The journal of one bay. Make it with `open`; use it from one thread at a time."""

    def __init__(
        self, path: Path, lock: room.Lock, ballast: room.Ballast, boot: tuple[str, int], check_s: float
    ) -> None:
        self.path, self._lock, self._ballast, self._boot = path, lock, ballast, boot
        self._open = True
        self._ill = ""  # kind of an error that the next append must put right first
        self._hidden = False  # the name can't be looked at
        self.last_seq = 0
        self.set_aside: Path | None = None
        self.why_set_aside = ""
        self._look_before()
        self._attach_or_begin_anew(check_s)

    def _attach(self, check_s: float) -> None:
        """Open the file, check it, and learn where it ends."""
        with explained(self.path, "opening the journal"):
            connection, self.checked = connect_to_write(self.path, check_s)
            super().__init__(self.path, connection)
            try:
                self._encoder = rows.Encoder(*self._boot)
                self._encoder.load(
                    self._all("SELECT id, boot_id, offset_ns FROM boots"),
                    self._one("SELECT max(id) FROM stretches") or 0,
                    self._all("SELECT id, channel, exp, unit, status, mode, stable FROM shapes"),
                )
                last = self._ends()[1]
                before = self._one("SELECT value FROM meta WHERE name = 'seq-before'") or 0
                self._empty = last == 0
                self.last_seq = max(last, before, self.last_seq)
                self.last_at_ns = self._last_moment()
                self._file = room.identity(self.path)
                room.sync_folder(self.path.parent)
            except BaseException:
                connection.close(True)
                raise

    def _attach_or_begin_anew(self, check_s: float) -> None:
        """One try; after a remedy (the ballast given up, a damaged file set aside) a second."""
        try:
            self._attach(check_s)
            return
        except JournalError as error:
            if error.kind == "full" and self._ballast.release():
                self._attach(check_s)
                return
            if error.kind != "damaged":
                raise
        found = rescue.salvage(self.path)
        found.last_seq = max(found.last_seq, self.last_seq)
        self._put_aside("its file was damaged")
        self._attach(check_s)
        self._carry_on(found)

    def _look_before(self) -> None:
        """An empty file, or none, where there was a record once is not begun anew without a word."""
        with explained(self.path, "looking for the journal"):
            size = self.path.stat().st_size if self.path.exists() else None
            signs = [] if size else room.was_used(self.path)
            if not signs:
                return
            if size == 0:
                self._put_aside(f"its file was empty, though {', '.join(signs)} beside it shows a record")
            else:
                log.error(
                    "%s is not there, though %s beside it shows that there was a record; a new one is begun. "
                    "If nobody removed it on purpose, look for it before its place on the disk is used again",
                    self.path,
                    ", ".join(signs),
                )

    def _put_aside(self, why: str) -> None:
        self.set_aside, self.why_set_aside = room.set_aside(self.path), why
        log.error("%s: %s; set aside as %s, a new one is begun", self.path, why, self.set_aside.name)

    def _carry_on(self, found: rescue.Salvage) -> None:
        """Let a new file go on where the old one ended."""
        with self._transaction("beginning a new journal") as connection:
            rescue.put_in(connection, found)
        self.last_seq = found.last_seq

    @classmethod
    def open(
        cls,
        path: Path,
        *,
        boot_id: str,
        offset_ns: int,
        ballast_bytes: int = 8 << 20,
        check_s: float = CHECK_S,
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
                journal = cls(path, lock, ballast, (boot_id, offset_ns), check_s)
            except BaseException:
                lock.release()
                raise
        ballast.restore()
        return journal

    @property
    def boot(self) -> tuple[str, int]:
        """Boot id and offset (ns) that it was opened with."""
        return self._boot

    def copy_if_gone(self, to: Path) -> bool:
        """Copy the record to a new file, if its own was removed or moved and not copied back.

        False where there is no need, or where it can't be read any more. JournalError.
        """
        if room.standing(self.path, self._file) is not room.Standing.GONE:
            return False
        with explained(to, "copying the journal"):
            if rescue.copied(self._connection, to):
                return True
        log.critical("%s was removed or moved, and what was open of it can't be read any more", self.path)
        return False

    @property
    def spoiled(self) -> int:
        """Records whose data could not be written as JSON since the journal was opened."""
        return self._encoder.spoiled

    def append(self, records: Sequence[Record], kept: Sequence[Cursor] = ()) -> None:
        """Enter records whose seqs go on from ``last_seq``: one transaction, durable on return.

        ``kept``: what followers want kept, in the same transaction.

        Raises JournalError with nothing written; the same records can then be given again. Into a
        journal that was just begun, any seq above ``last_seq`` may be the first.

        A file that turns out damaged, removed or replaced is such an error once; the next append then
        puts it right: the damaged file is set aside (``set_aside``), or the record is copied back to
        its name, and writing goes on.
        """
        if not records and not kept:
            return
        self._require_sound()
        encoder = self._encoder
        first = max(self.last_seq + 1, records[0].seq if self._empty and records else 0)
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
                cursors.save(connection, kept)
            committed = True
        finally:
            encoder.settle(committed)
        if not records:
            return
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
            with contextlib.suppress(apsw.Error):  # a connection that is closed, too
                if connection.in_transaction:  # SQLite has rolled back by itself after some errors
                    connection.execute("ROLLBACK")
            if isinstance(error, apsw.Error | OSError | OverflowError):
                explanation = explain(error, self.path, doing)
                if explanation.kind == "damaged":
                    self._ill = "damaged"
                raise explanation from error
            raise

    def _require_sound(self) -> None:
        """Put right what the last append met; notice a file that is no longer where it belongs."""
        self._require_open()
        if self._ill:
            if self._ill == "missing":
                with explained(self.path, "copying the journal back to its name"):
                    self.path.parent.mkdir(parents=True, exist_ok=True)
                    self._lock.take()
                    away = rescue.put_back(self._connection, self.path)
                if away is not None:
                    self.set_aside, self.why_set_aside = away, "another file stood in its place"
                if self.path.exists():
                    log.error("%s had been removed or replaced; copied back", self.path)
                else:
                    log.error("%s was removed and can't be read any more; a new one is begun", self.path)
                self._ill = "damaged"  # from here on a failure is one of opening
            self._connection.close(True)
            self._attach_or_begin_anew(CHECK_S)
            if self._empty:
                self._carry_on(rescue.Salvage(self.last_seq))
            self._ill = ""
        else:
            self._require_in_place()

    def _require_in_place(self) -> None:
        standing = room.standing(self.path, self._file)
        if standing is room.Standing.GONE:
            self._ill = "missing"
            raise JournalError(
                f"{self.path} has been removed or replaced under the running daemon",
                "missing",
                "leave it alone: the daemon copies it back within seconds, or says here why it can't",
            )
        hidden = standing is room.Standing.HIDDEN
        if hidden and not self._hidden:
            log.error(
                "%s can't be looked at any more; what is open is written on. Give the folder back to the "
                "daemon's user (chown, chmod): after a restart nothing could be recorded there",
                self.path,
            )
        self._hidden = hidden

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
            cursors.save(connection, [Cursor(name, seq, state)])

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
