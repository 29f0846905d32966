"""Readings as columns, for those who want millions of them: no object is made for each.

What repeats (channel, exponent, unit, flags) stays a number of a shape; `Columns.shapes` says what it means.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from logger.core.entries import Reading
from logger.journal.reader import Past
from logger.journal.rows import Shape


class Columns(NamedTuple):
    """Readings in order of seq, one row each in every column: ``number * 10**exp`` of its shape's unit.

    ``number`` is of 64-bit integers, or of Python's where one of them is beyond 64 bits.
    """

    seq: NDArray[np.int64]
    at_ns: NDArray[np.int64]
    shape: NDArray[np.int64]
    number: NDArray[np.int64] | NDArray[np.object_]
    shapes: dict[int, Shape]


def columns(past: Past, after: int = 0, upto: int | None = None, *, chunk: int = 50_000) -> Iterator[Columns]:
    """Readings with ``after < seq <= upto``, ``chunk`` seqs at a time; a piece without readings is left out.

    What comes in meanwhile is left out, and no query stays open in between (as `Past.read`). The bytes from
    the wire are not read. Raises JournalError where the file cannot be read.
    """
    for rows, origins, shapes in past.reading_rows(after, upto, chunk):
        seq, stretch, since, shape, number = zip(*rows, strict=True)
        stretches = np.array(stretch, np.int64)
        begins = np.empty(len(rows), np.int64)
        for each in set(stretch):
            begins[stretches == each] = origins[each]
        if all(type(value) is int for value in number):
            numbers: NDArray[np.int64] | NDArray[np.object_] = np.array(number, np.int64)
        else:
            numbers = np.array([int(value) for value in number], object)
        known = {each: shapes[each] for each in set(shape)}
        at_ns = begins + np.array(since, np.int64)
        yield Columns(np.array(seq, np.int64), at_ns, np.array(shape, np.int64), numbers, known)


def as_readings(piece: Columns) -> list[Reading]:
    """The same, one by one, without the bytes from the wire."""
    made = []
    for seq, at_ns, shape, number in zip(*(column.tolist() for column in piece[:4]), strict=True):
        channel, exp, unit, stable, status, mode = piece.shapes[shape]
        made.append(Reading(at_ns, channel, number, exp, unit, stable, status, mode, b"", seq))
    return made
