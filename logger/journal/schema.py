"""The tables, as numbered migrations. A migration and the record of it are one transaction.

Sizes are the reason for the layout: a shift is millions of readings. What repeats in readings (channel,
unit, exponent, flags) is a row of `shapes`; time is kept relative to a *stretch*, a piece of one boot
shorter than 2**47 ns (39 h), so that it takes 6 bytes instead of 8. There is no index beside the
primary key: entries are in order of seq, and so, station time never running backwards, in order of time.

Text that is not valid Unicode is kept as a BLOB (columns of type ANY), an integer beyond 64 bits as text.
"""

from __future__ import annotations

from pathlib import Path

import apsw

from logger.journal.errors import JournalError

APPLICATION_ID = 0x54414C59  # "TALY": tells a journal from any other SQLite file

_ONE = """
CREATE TABLE migrations (number INTEGER PRIMARY KEY, name TEXT NOT NULL) STRICT;
CREATE TABLE meta (name TEXT PRIMARY KEY, value ANY NOT NULL) STRICT, WITHOUT ROWID;
CREATE TABLE boots (
    id INTEGER PRIMARY KEY, boot_id TEXT NOT NULL, offset_ns INTEGER NOT NULL, UNIQUE (boot_id, offset_ns)
) STRICT;
CREATE TABLE stretches (
    id INTEGER PRIMARY KEY, boot INTEGER NOT NULL REFERENCES boots (id), base_ns INTEGER NOT NULL
) STRICT;
CREATE TABLE shapes (
    id INTEGER PRIMARY KEY, channel ANY NOT NULL, exp INTEGER NOT NULL, unit ANY NOT NULL,
    status ANY NOT NULL, mode ANY NOT NULL, stable INTEGER
) STRICT;
CREATE TABLE readings (
    seq INTEGER PRIMARY KEY, stretch INTEGER NOT NULL, since_ns INTEGER NOT NULL,
    shape INTEGER NOT NULL, number ANY NOT NULL, raw BLOB
) STRICT;
CREATE TABLE entries (
    seq INTEGER PRIMARY KEY, stretch INTEGER NOT NULL, since_ns INTEGER NOT NULL,
    type TEXT NOT NULL, kind ANY, subject ANY, cause INTEGER, data TEXT, raw BLOB
) STRICT;
CREATE TABLE checkpoints (
    id INTEGER PRIMARY KEY, key TEXT NOT NULL, seq INTEGER NOT NULL, blob BLOB NOT NULL
) STRICT;
CREATE TABLE configurations (digest TEXT PRIMARY KEY, text TEXT NOT NULL) STRICT, WITHOUT ROWID;
"""

# The value as text, exactly: digits padded with zeros to at least one before the point.
_TWO = """
CREATE TABLE cursors (
    name TEXT PRIMARY KEY, seq INTEGER NOT NULL, state TEXT NOT NULL
) STRICT, WITHOUT ROWID;
CREATE VIEW moment_view AS -- at_ns of a stretch's beginning: station time, ns since 1970
    SELECT s.id AS stretch, b.boot_id, b.offset_ns + s.base_ns AS at_ns
    FROM stretches s JOIN boots b ON b.id = s.boot;
CREATE VIEW reading_view AS -- one row a reading: time (UTC, station time), channel, value as shown
    SELECT seq, time, channel, value, unit, stable, status, mode, raw, at_ns, boot_id FROM (
        SELECT r.seq, m.boot_id, m.at_ns + r.since_ns AS at_ns,
            strftime('%Y-%m-%dT%H:%M:%S', (m.at_ns + r.since_ns) / 1000000000, 'unixepoch')
                || printf('.%09dZ', (m.at_ns + r.since_ns) % 1000000000) AS time,
            h.channel, h.unit, h.stable, h.status, h.mode, r.raw,
            CASE
                WHEN h.exp = 0 THEN CAST(r.number AS TEXT)
                WHEN h.exp BETWEEN -18 AND -1 THEN
                    iif(substr(CAST(r.number AS TEXT), 1, 1) = '-', '-', '')
                    || substr(padded, 1, length(padded) + h.exp) || '.' || substr(padded, h.exp)
                ELSE CAST(r.number AS TEXT) || 'e' || h.exp
            END AS value
        FROM (
            SELECT *, substr('000000000000000000', 1, max(0, 1 - e - length(d))) || d AS padded FROM (
                SELECT readings.*, max(min(shapes.exp, 0), -18) AS e,
                    ltrim(CAST(number AS TEXT), '-') AS d
                FROM readings JOIN shapes ON shapes.id = readings.shape
            )
        ) r
        JOIN shapes h ON h.id = r.shape JOIN moment_view m ON m.stretch = r.stretch
    );
CREATE VIEW entry_view AS -- everything that is no reading; data is JSON
    SELECT e.seq, strftime('%Y-%m-%dT%H:%M:%S', (m.at_ns + e.since_ns) / 1000000000, 'unixepoch')
            || printf('.%09dZ', (m.at_ns + e.since_ns) % 1000000000) AS time,
        e.type, e.kind, e.subject, e.cause, e.data, e.raw, m.at_ns + e.since_ns AS at_ns, m.boot_id
    FROM entries e JOIN moment_view m ON m.stretch = e.stretch;
"""

# What a follower could not deliver, point by point, and why. Bounded by whoever writes it.
_THREE = """
CREATE TABLE aside (
    id INTEGER PRIMARY KEY, follower TEXT NOT NULL, seq INTEGER NOT NULL, at_ns INTEGER NOT NULL,
    reason TEXT NOT NULL, text TEXT NOT NULL
) STRICT;
CREATE INDEX aside_by_seq ON aside (follower, seq);
"""

MIGRATIONS: tuple[tuple[str, str], ...] = (
    ("readings, entries, boots, checkpoints, configurations", _ONE),
    ("cursors of followers, views for people", _TWO),
    ("what followers set aside", _THREE),
)
NEWEST = len(MIGRATIONS)


def version(connection: apsw.Connection, path: Path) -> int:
    """The schema's number; 0 for an empty file. JournalError for a foreign file or a newer schema."""
    number = int(connection.pragma("user_version"))
    ours = int(connection.pragma("application_id")) == APPLICATION_ID
    empty = not connection.execute("SELECT count(*) FROM sqlite_schema").get
    if not ours and not empty:
        raise JournalError(
            f"{path} is a database of another program, not a journal; name another file", "schema"
        )
    if number > NEWEST:
        raise JournalError(
            f"{path} has schema {number}, this version knows {NEWEST} at most; "
            "start the newer version that wrote it, or name another file",
            "schema",
        )
    return number


def migrate(connection: apsw.Connection, path: Path) -> None:
    """Bring the schema up to date, one transaction a migration. JournalError as `version`."""
    for number in range(version(connection, path) + 1, NEWEST + 1):
        name, statements = MIGRATIONS[number - 1]
        with connection:
            connection.execute(statements)
            connection.execute("INSERT INTO migrations VALUES (?, ?)", (number, name))
            connection.execute(f"PRAGMA user_version = {number}")
            connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
