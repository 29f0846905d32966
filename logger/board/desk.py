"""What the board needs of the daemon; the loop implements it. Nothing else crosses.

The snapshot is an immutable plain-JSON mapping made by the fold after each commit (`core.picture`).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

if TYPE_CHECKING:
    from logger.balance.document import Scale, WeighUp


@dataclass(frozen=True, slots=True)
class Answer:
    """What became of an action. ``accepted`` False: ``reason`` says why, and nothing was changed.

    ``recorded`` False: it was applied but the journal could not write yet. ``seq`` is the entry's.
    ``repeated``: an action with this id had been taken before; nothing was done.
    """

    accepted: bool
    reason: str = ""
    seq: int = 0
    recorded: bool = True
    repeated: bool = False
    data: dict[str, Any] = field(default_factory=dict)


class Desk(Protocol):
    @property
    def journal_path(self) -> Path:
        """Where the record is."""

    def snapshot(self) -> Mapping[str, Any]:
        """The newest snapshot; its ``seq`` grows."""

    def watch(self, wake: Callable[[], None]) -> Callable[[], None]:
        """Call ``wake`` (from the loop's thread) after each new snapshot; the answer ends it."""

    def submit(self, action: Mapping[str, Any], who: str, timeout_s: float = 5.0) -> Answer:
        """Validate, enter and apply an action; returns once it is committed. Blocks: call in a thread.

        Raises pydantic.ValidationError where the action does not fit its schema.
        """

    def lots(self) -> list[dict[str, Any]]:
        """All lots, newest first."""

    def runs(self) -> list[dict[str, Any]]:
        """All runs, newest first."""

    def said(self) -> list[dict[str, Any]]:
        """What was said and can be corrected, newest first, each with its entry number and its history."""

    def alarms(self) -> dict[str, Any]:
        """Every alarm there could be, its state and what is counted of it (`core.alarm_list`)."""

    def strips(self, station: str, minutes: int = 10) -> dict[str, Any] | None:
        """The last minutes of a station's rates (`core.strips`); None where there is no such station."""

    def run_record(self, run: str) -> dict[str, Any] | None:
        """A run's rates, tallies and events as they were told (`core.run_record`); None: no such run.

        Reads the journal: call in a thread. JournalError where it can't be read.
        """

    def weigh_up(self, run: str) -> WeighUp | None:
        """The weigh-up of a run; None where there is no such run. WeighUpError where it makes none."""

    def lot_weigh_up(self, lot: str) -> WeighUp | None:
        """The weigh-up of a lot over all its runs; None where there is no such lot, or no run of it."""

    def scales(self) -> dict[str, Scale]:
        """Every scale, with its plate and its check weights."""

    def tally(self, run: str) -> dict[str, Any] | None:
        """The tally of a run, in the replay's own form; None where there is no such run."""
