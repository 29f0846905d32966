"""What a set-up check is made of and what it says. Frozen values; nothing here acts."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any, TypeAlias

from logger.core.proof.until import Until
from logger.core.proof.window import Capture


class Verdict(StrEnum):
    """``CANT_TELL`` is an answer too: what was seen fits both, or was disturbed."""

    PASSES = "passes"
    FAILS = "fails"
    CANT_TELL = "can't tell"
    NOT_DONE = "not done"


@dataclass(frozen=True, slots=True)
class Result:
    """One line of the outcome. ``figures`` holds the numbers behind ``found``; names carry units."""

    instrument: str
    test: str
    found: str
    expected: str
    verdict: Verdict
    remedy: str = ""
    figures: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Asked:
    """A question of a step. ``kind``: "mass" (kg) or "yes-no". ``default`` stands for an empty answer."""

    kind: str
    question: str
    default: str | None = None


@dataclass(frozen=True, slots=True)
class Step:
    """One thing to do or to wait for. ``key`` names what it captures; ``until`` ends it by itself.

    ``say`` is the instruction, ``caution`` what could hurt, ``asks`` a question to be answered first.
    """

    key: str
    say: str
    until: Until
    caution: str = ""
    asks: Asked | None = None


Captures: TypeAlias = Mapping[str, Mapping[str, Capture]]
"""Step key -> channel -> what was seen during it."""

Answers: TypeAlias = Mapping[str, Any]
"""Step key -> the answer to its question."""

Judge: TypeAlias = Callable[[Captures, Answers], list[Result]]


@dataclass(frozen=True, slots=True)
class Test:
    """Steps in a row over some channels, and the function that judges what they captured.

    ``lines`` names the results as (instrument, test) pairs, so that what was not done can be named too.
    ``alone`` is true where it needs nobody's hands.
    """

    name: str
    title: str
    channels: tuple[str, ...]
    steps: tuple[Step, ...]
    judge: Judge
    lines: tuple[tuple[str, str], ...]
    alone: bool = False
    __test__ = False  # no test of pytest's


# ---------------------------------------------------------------------- what a session says


@dataclass(frozen=True, slots=True)
class Begins:
    """A test begins: its title, and the how-many-th of all."""

    title: str
    number: int
    of: int


@dataclass(frozen=True, slots=True)
class Instruct:
    """Do this. ``wants`` is "nothing" (it ends by itself), "key" (Enter goes on) or "answer"."""

    key: str
    channels: tuple[str, ...]
    text: str
    caution: str
    wants: str
    question: str = ""
    default: str | None = None


@dataclass(frozen=True, slots=True)
class Progress:
    """How it stands; replaces the progress before."""

    text: str


@dataclass(frozen=True, slots=True)
class Noticed:
    """The thing asked for was seen done, without a key."""

    text: str


@dataclass(frozen=True, slots=True)
class Complaint:
    """Something is in the way: a bad answer, a silent instrument. What, and what to do."""

    text: str


@dataclass(frozen=True, slots=True)
class Judged:
    result: Result


Word: TypeAlias = Begins | Instruct | Progress | Noticed | Complaint | Judged
