"""What the parts of a report share: how far it is, and why it can't be made."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeAlias

Progress: TypeAlias = Callable[[float, str], None]
"""Hears the part (0 to 1) that is done, and what is being done."""


def quiet(part: float, doing: str) -> None:
    """Nobody wants to hear how far it is."""
    del part, doing


class ReportError(Exception):
    """It can't be made; the text says what was asked, what there is, and what to do."""
