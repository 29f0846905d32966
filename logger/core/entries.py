"""What the journal is made of. Everything else in the program is a fold over these.

Times are *station time*: integer nanoseconds since 1970-01-01 UTC as the bay believed them when the
computer started, carried on by the boot-monotonic clock alone. They never run backwards. What the
wall clock later turned out to be is a Circumstance of kind ``clock`` (see `core.walltime`).

`seq` is given by the loop, from 1 up without holes; 0 means "not entered yet". Every entry and every
finding has one. An entry is immutable; NamedTuples are used because a Reading is made 100,000 times
a second in replay, and a frozen dataclass of ten fields costs three times as much to make.
"""

from __future__ import annotations

from typing import Any, NamedTuple, TypeAlias

USABLE = frozenset({"ok", "zero"})
"""Statuses of a Reading whose number may be believed."""

STATUSES = frozenset(
    {"ok", "zero", "over", "under", "zero-error", "initial-zero-error", "tare-error", "unknown"}
)
"""``zero`` is centre of zero. ``unknown`` is a status the dialect does not explain: not usable."""


class Reading(NamedTuple):
    """One number an instrument showed, as it showed it: ``number * 10**exp`` in ``unit``.

    ``mode`` is ``gross``, ``net``, ``tare`` or ``""`` (the instrument does not say). ``stable`` is
    the instrument's own motion flag, None where it has none. ``raw`` holds the bytes from the wire
    where encoding the fields again would not give them back, else ``b""``.
    """

    at_ns: int
    channel: str
    number: int
    exp: int
    unit: str
    stable: bool | None = None
    status: str = "ok"
    mode: str = ""
    raw: bytes = b""
    seq: int = 0


class Garbage(NamedTuple):
    """Bytes that no rule of the dialect explains, or an answer that carries no number.

    ``reason`` is one short hyphenated word from the decoder, e.g. ``too-long`` or ``bad-weight``.
    """

    at_ns: int
    channel: str
    raw: bytes
    reason: str
    seq: int = 0


class Action(NamedTuple):
    """What the operator did or said. ``body`` is a validated `core.actions` model.

    ``at_ns`` is when it was said; when it took effect is ``body.time_ns`` if that is set.
    ``id`` makes it idempotent: a second action with the same id changes nothing.
    """

    at_ns: int
    body: Any
    id: str = ""
    who: str = ""
    seq: int = 0


class Circumstance(NamedTuple):
    """Something about the program's surroundings: ``boot``, ``configuration``, ``clock``, ``link``,
    ``journal``, ``stop``. ``subject`` names what it is about (an instrument for ``link``)."""

    at_ns: int
    kind: str
    subject: str
    data: dict[str, Any]
    seq: int = 0


class Tick(NamedTuple):
    """Time passed and nothing else happened. Journalled only in silence."""

    at_ns: int
    seq: int = 0


class Finding(NamedTuple):
    """What the program concluded: named by kind, subject and the seq of the entry that caused it.

    Never fed back into the fold. ``kind`` is ``alarm``, ``recognised``, ``tally``, ``refused``, ``repeated``;
    ``run-opened``, ``run-closed``, ``run-changed`` or ``run-withdrawn``; or says what became of an action
    (see `core.bookkeeping` and `core.containers`).
    """

    at_ns: int
    kind: str
    subject: str
    cause: int
    data: dict[str, Any]
    seq: int = 0


Entry: TypeAlias = Reading | Garbage | Action | Circumstance | Tick
Record: TypeAlias = Entry | Finding
