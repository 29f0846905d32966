"""A file written row by row, whole or not at all."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import TextIO

EVERY = 10_000
Row = Sequence[str]
Progress = Callable[[Row], None]


def quiet(row: Row) -> None:
    """Tells nobody."""


def write_rows(
    target: Path,
    rows: Iterable[Row],
    begin: Callable[[TextIO], Callable[[Row], object]],
    progress: Progress = quiet,
) -> int:
    """How many rows were written. OSError where the file can't be; what stood there before then stays.

    ``begin`` writes what stands before the rows and gives what writes a row; ``progress`` gets every
    ten-thousandth one.
    """
    part = target.with_name(f".{target.name}.{os.getpid()}.part")
    count = 0
    try:
        with part.open("w", encoding="utf-8", errors="backslashreplace", newline="") as file:
            write = begin(file)
            for row in rows:
                write(row)
                count += 1
                if count % EVERY == 0:
                    progress(row)
            file.flush()
            os.fsync(file.fileno())
        part.replace(target)
    finally:
        part.unlink(missing_ok=True)
    return count
