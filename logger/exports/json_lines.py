"""A table as JSON lines: one object a row, keys as the CSV's header, UTF-8, each line ended by LF.

Values are the same exact text as in the CSV, so that no reader's floats change a decimal;
what is empty there is null.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import TextIO

from logger.exports.files import Progress, Row, quiet, write_rows
from logger.exports.tables import Column


def write_json_lines(
    target: Path, table: Sequence[Column], rows: Iterable[Row], progress: Progress = quiet
) -> int:
    """Write a table; how many rows, and errors, as `write_rows`."""
    keys = [column.header for column in table]

    def begin(file: TextIO) -> Callable[[Row], object]:
        def write(row: Row) -> None:
            cells = {key: cell or None for key, cell in zip(keys, row, strict=True)}
            file.write(json.dumps(cells, ensure_ascii=False) + "\n")

        return write

    return write_rows(target, rows, begin, progress)
