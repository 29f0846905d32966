"""Decimal numbers on a wire: read exactly, written plainly. No float ever comes near a reading."""

from __future__ import annotations

import re

_NUMBER = re.compile(r"([+-]?) *+([0-9]{0,18}+)(?:\.([0-9]{0,18}+))?")


def read_number(text: str) -> tuple[int, int] | None:
    """(number, exp) of a trimmed decimal such as ``-5.025`` or ``+   12``; None where it is none.

    The sign may stand apart from the digits. More than 18 digits are no number: the count is to fit
    64 bits.
    """
    match = _NUMBER.fullmatch(text)
    if match is None:
        return None
    sign, whole, part = match.groups()
    digits = whole + part if part else whole
    if not digits or len(digits) > 18:
        return None
    count = int(digits)
    return (-count if sign == "-" else count), (-len(part) if part else 0)


def write_number(number: int, exp: int) -> str:
    """The plain decimal of ``number * 10**exp``: no plus sign, no needless zeros before the point.

    >>> write_number(-5, -3), write_number(12, 1)
    ('-0.005', '120')
    """
    if exp >= 0:
        return str(number * 10**exp)
    digits = str(abs(number)).rjust(1 - exp, "0")
    return f"{'-' if number < 0 else ''}{digits[:exp]}.{digits[exp:]}"
