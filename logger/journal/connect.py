"""The connection that writes: its settings and the check of the file."""

from __future__ import annotations

from pathlib import Path

import apsw

from logger.clock import stopwatch_ns
from logger.journal import schema
from logger.journal.errors import JournalError

LOG_LIMIT = 16 << 20  # bytes the write-ahead log's file is cut back to after a reader has let it grow


def connect_to_write(path: Path, check_s: float) -> tuple[apsw.Connection, bool]:
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
