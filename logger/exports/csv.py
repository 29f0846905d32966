"""A table as CSV by RFC 4180: a header, CRLF, quotes where they are needed, UTF-8.

Cells are true to the data: one that begins with "=" stays so, and a spreadsheet may take it for a formula.
"""

from __future__ import annotations

import csv
import os
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path

from logger.exports.tables import Column

EVERY = 10_000


def write_csv(
    target: Path,
    table: Sequence[Column],
    rows: Iterable[Sequence[str]],
    progress: Callable[[Sequence[str]], None] = lambda row: None,
) -> int:
    """Write a table whole or not at all; how many rows. OSError where the file can't be written.

    ``progress`` gets every ten-thousandth row. What stood there before stays until the new file is whole.
    """
    part = target.with_name(f".{target.name}.{os.getpid()}.part")
    count = 0
    try:
        with part.open("w", encoding="utf-8", errors="backslashreplace", newline="") as file:
            writer = csv.writer(file)
            writer.writerow([column.header for column in table])
            for count, row in enumerate(rows, 1):
                writer.writerow(row)
                if count % EVERY == 0:
                    progress(row)
            file.flush()
            os.fsync(file.fileno())
        part.replace(target)
    finally:
        part.unlink(missing_ok=True)
    return count
