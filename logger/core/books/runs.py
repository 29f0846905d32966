"""A run, and what is said of a station: its settings and the pauses of its feed, as spans of time."""

from __future__ import annotations

from bisect import insort
from dataclasses import dataclass, field

from logger.core.books.lots import Weighed


@dataclass(slots=True)
class Run:
    """A run is the span [start, end) of one station. ``hold_up_how``: how it is known what stayed on the
    deck: ``declared``, ``emptied`` (waited until nothing came), ``not-emptied`` (waited in vain), or ""."""

    run: str
    station: str
    lot: str | None
    start_ns: int
    end_ns: int | None = None
    entry: int = 0
    end_entry: int = 0
    feed_from: tuple[str, ...] = ()  # products of other runs that it is fed with: "run-1/middlings"
    feed_ended_ns: int | None = None  # set while, and after, the deck runs empty
    hold_up_kg: float | None = None
    hold_up_how: str = ""
    products: dict[str, dict[str, Weighed]] = field(default_factory=dict)  # outlet -> container -> weights
    swept_up: dict[str, Weighed] = field(default_factory=dict)  # container -> weights

    @property
    def emptying(self) -> bool:
        return self.feed_ended_ns is not None and self.end_ns is None

    def holds(self, at_ns: int) -> bool:
        """Whether a moment lies in the run; its end belongs to it too, so that a last word does."""
        return self.start_ns <= at_ns and (self.end_ns is None or at_ns <= self.end_ns)


@dataclass(slots=True, order=True)
class Pause:
    """The feed was paused on purpose, from and to; ``to_ns`` None: still."""

    from_ns: int
    to_ns: int | None = field(default=None, compare=False)
    why: str = field(default="", compare=False)
    entry: int = field(default=0, compare=False)


@dataclass(slots=True, order=True)
class Told:
    """A note or a mark."""

    at_ns: int
    station: str | None = field(compare=False)
    text: str = field(compare=False)
    mark: str = field(default="", compare=False)
    photographs: tuple[str, ...] = field(default=(), compare=False)
    entry: int = field(default=0, compare=False)


@dataclass(slots=True)
class StationBook:
    """What is said of one station. ``changes``: times and values of its settings, in order of time."""

    changes: list[tuple[int, int, dict[str, str]]] = field(default_factory=list)  # ns, seq, values
    pauses: list[Pause] = field(default_factory=list)
    open_run: Run | None = None

    @property
    def settings(self) -> dict[str, str]:
        """As they stand after all that was said."""
        return self.settings_at(None)

    def settings_at(self, at_ns: int | None) -> dict[str, str]:
        """As they stood at a moment; None: at the last."""
        standing: dict[str, str] = {}
        for when, _, values in self.changes:
            if at_ns is not None and when > at_ns:
                break
            standing |= values
        return standing

    def settings_of(self, run: Run) -> list[tuple[int, dict[str, str]]]:
        """What stood at the start of a run, if anything did, and what changed in its course."""
        first = self.settings_at(run.start_ns)
        told = [(run.start_ns, first)] if first else []
        return told + [
            (when, dict(values))
            for when, _, values in self.changes
            if when > run.start_ns and run.holds(when)
        ]

    def change(self, at_ns: int, seq: int, values: dict[str, str]) -> None:
        insort(self.changes, (at_ns, seq, values), key=lambda each: each[:2])

    @property
    def paused(self) -> Pause | None:
        """The pause that lasts still."""
        return next((pause for pause in self.pauses if pause.to_ns is None), None)
