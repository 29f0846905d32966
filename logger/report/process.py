"""The inside of a process that draws for a daemon: what is asked comes on stdin, the document leaves on
stdout.

How far it is goes to stderr, one line at a time (``42 % folding the record``). What can't be drawn ends the
process with 65, and says why as one line of JSON on stderr, ``{"fault": "…"}``. `board.drawing` is the other
side.
"""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Callable, Mapping
from typing import Any, TypeAlias

GENTLY = 10  # added to its niceness: recording comes first
DATA = 65

Progress: TypeAlias = Callable[[float, str], None]
"""Hears the part (0 to 1) that is done, and what is being done."""


def quiet(part: float, doing: str) -> None:
    """Nobody wants to hear how far it is."""
    del part, doing


class ReportError(Exception):
    """It can't be drawn; the text says what was asked, what there is, and what to do."""


class ProgressLines:
    """Says how far it is on stderr, a line for every tenth."""

    def __init__(self, write: Callable[[str], Any] | None = None) -> None:
        self._write = write or sys.stderr.write
        self._said = ""

    def __call__(self, part: float, doing: str) -> None:
        text = f"{10 * int(10 * part)} % {doing}"
        if text != self._said:
            self._said = text
            self._write(text + "\n")
            sys.stderr.flush()


def serve(makers: Mapping[str, Callable[[dict[str, Any], Progress], bytes]]) -> int:
    """Draw what one JSON object on stdin asks for: ``{"what": NAME, …}``, a name of ``makers``. The exit
    code.
    """
    os.nice(GENTLY)
    asked = json.load(sys.stdin)
    try:
        made = makers[asked["what"]](asked, ProgressLines())
    except ReportError as error:
        sys.stderr.write(json.dumps({"fault": str(error)}) + "\n")
        return DATA
    sys.stdout.buffer.write(made)
    sys.stdout.flush()
    return 0
