"""A recording of a wire: every byte with its time, in lines of JSON that any program can read.

The first line says how the wire was set, each further one what came in or went out, and when:

    {"tallydeck-wire": 1, "port": "/dev/…", "baud": 9600, "format": "8N1", "began": "2026-03-02T06:10:00Z"}
    {"t_ns": 104000000, "out": "0a570d"}
    {"t_ns": 131000000, "in": "0a203147…"}

``t_ns`` are nanoseconds since the recording began, never smaller than those of the line before; the bytes
are in hexadecimal. ``baud`` and ``format`` are null for a wire without settings. A last line that was cut
off (a power cut) is left out and told.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TextIO

MARK = "tallydeck-wire"
VERSION = 1


class TapeError(Exception):
    """A recording can't be read. The message says where and what was expected."""


@dataclass(frozen=True, slots=True)
class Piece:
    """Bytes that came in, or (``out``) went out, ``t_ns`` after the beginning."""

    t_ns: int
    data: bytes
    out: bool = False


@dataclass(frozen=True, slots=True)
class Tape:
    """A whole recording. ``baud`` and ``framing`` None: a wire without settings. ``note`` says what was
    left out, "" nothing."""

    port: str
    baud: int | None
    framing: str | None
    began: str
    pieces: tuple[Piece, ...]
    note: str = ""

    @property
    def asked(self) -> bool:
        """Whether anything was sent while recording."""
        return any(piece.out for piece in self.pieces)


class TapeWriter:
    """Writes a recording as it happens; each line is handed to the system at once."""

    def __init__(self, file: TextIO, port: str, baud: int | None, framing: str | None, began: str) -> None:
        self._file = file
        self._put({MARK: VERSION, "port": port, "baud": baud, "format": framing, "began": began})

    def put(self, piece: Piece) -> None:
        self._put({"t_ns": piece.t_ns, "out" if piece.out else "in": piece.data.hex()})

    def _put(self, row: dict[str, Any]) -> None:
        self._file.write(json.dumps(row) + "\n")
        self._file.flush()


def read_tape(path: Path) -> Tape:
    """A recording from its file. TapeError; OSError where the file can't be read."""
    text = path.read_bytes().decode("utf-8", "replace")
    return parse_tape(text.split("\n"), str(path))


def parse_tape(rows: Iterable[str], name: str) -> Tape:
    """A recording from its lines."""
    lines = [(number, row) for number, row in enumerate(rows, 1) if row.strip()]
    if not lines:
        raise TapeError(f"{name}: empty; expected a recording made with tallydeck wire record")
    head = _row(name, *lines[0])
    if head.get(MARK) != VERSION:
        raise TapeError(f'{name}: line 1 is not the head of a recording, {{"{MARK}": {VERSION}, …}}')
    pieces: list[Piece] = []
    note = ""
    for number, row in lines[1:]:
        try:
            piece = _piece(name, number, _row(name, number, row))
            if pieces and piece.t_ns < pieces[-1].t_ns:
                raise TapeError(f"{name}: line {number}: its time lies before that of the line above")
            pieces.append(piece)
        except TapeError as error:
            if number != lines[-1][0]:
                raise
            note = f"the last line is cut off and left out ({error})"
    baud, framing = head.get("baud"), head.get("format")
    return Tape(
        str(head.get("port", "")),
        baud if isinstance(baud, int) else None,
        framing if isinstance(framing, str) else None,
        str(head.get("began", "")),
        tuple(pieces),
        note,
    )


def _row(name: str, number: int, row: str) -> dict[str, Any]:
    try:
        found = json.loads(row)
    except (ValueError, RecursionError) as error:
        raise TapeError(f"{name}: line {number} is not JSON: {error}") from None
    if not isinstance(found, dict):
        raise TapeError(f"{name}: line {number} is no JSON object")
    return found


def _piece(name: str, number: int, row: dict[str, Any]) -> Piece:
    t_ns = row.get("t_ns")
    way = [key for key in ("in", "out") if isinstance(row.get(key), str)]
    if not isinstance(t_ns, int) or isinstance(t_ns, bool) or t_ns < 0 or len(way) != 1:
        raise TapeError(f'{name}: line {number}: expected {{"t_ns": …, "in": "hex"}} or with "out"')
    try:
        return Piece(t_ns, bytes.fromhex(row[way[0]]), way[0] == "out")
    except ValueError:
        raise TapeError(f"{name}: line {number}: these are not bytes in hexadecimal") from None
