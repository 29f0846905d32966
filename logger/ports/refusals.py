"""What a device's refusal or silence means, for a person: what, where, and what to do."""

from __future__ import annotations

from logger.ports.frames import Question

GATEWAY = frozenset({10, 11})
"""Exceptions by which a gateway says that the device behind it does not answer."""

PASSING = frozenset({5, 6})
"""Exceptions that usually pass: the device is at work on something else."""

_ADDRESS = (
    "check register and kind against the device's manual; register counts from 0, and manuals that count "
    "from 1, or print 40001 or 30001 for the first one, mean one less"
)
_MEANING = {
    1: ("can't do this (illegal function)", 'try the other kind, "holding" or "input"'),
    2: ("has no such register (illegal data address)", _ADDRESS),
    3: ("won't give so many registers (illegal data value)", f"check number too; {_ADDRESS}"),
    4: ("failed (device failure)", "look at the device's own display; switch it off and on"),
    5: ("needs more time (acknowledge)", "it is asked again by itself; give it a longer interval"),
    6: ("is busy", "it is asked again by itself; give it a longer interval"),
    8: ("found its memory spoiled (memory parity error)", "the device needs service"),
    10: ("has no way to the device (gateway path unavailable)", "check the gateway's own settings"),
    11: (
        "got no answer from the device (gateway target failed to respond)",
        "check that it is on, its wiring, and its device number",
    ),
}
"""Code -> what it says, what to do. MODBUS Application Protocol Specification V1.1b3, section 7."""


def _place(question: Question) -> str:
    return f"device {question.device}, {question.kind} register {question.register}"


def refusal(url: str, question: Question, code: int) -> str:
    """A Modbus exception in words."""
    says, remedy = _MEANING.get(code, ("refuses with a code that the standard does not name", _ADDRESS))
    who = "the gateway" if code in GATEWAY else "it"
    return f"{url}: {_place(question)}: {who} {says}, Modbus exception {code}; {remedy}"


def silence(url: str, question: Question, timeout_s: float) -> str:
    """No answer came, several times over."""
    line = "" if url.startswith("socket://") else ", baud and format"
    return (
        f"{url}: no answer from device {question.device} within {timeout_s * 1000:.0f} ms; "
        f"check that it is on, its wiring, its device number{line}; it is asked again by itself"
    )
