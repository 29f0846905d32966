"""A table as CSV by RFC 4180: a header, CRLF, quotes where they are needed, UTF-8.

Cells are true to the data: one that begins with "=" stays so, and a spreadsheet may take it for a formula.
"""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import TextIO

from logger.exports.files import Progress, Row, quiet, write_rows
from logger.exports.tables import Column


def write_csv(target: Path, table: Sequence[Column], rows: Iterable[Row], progress: Progress = quiet) -> int:
    """Write a table; how many rows, and errors, as `write_rows`."""

    def begin(file: TextIO) -> Callable[[Row], object]:
        writer = csv.writer(file)
        writer.writerow([column.header for column in table])
        return writer.writerow

    return write_rows(target, rows, begin, progress)
