"""Which run and lot a moment of a station belongs to, as what was said stands now.

Tags are spans: they are looked up when a reading is sent or read, and after a correction compared with the
spans that were used before. Time is cut into *slots* of 10 us, which belong to a span whole, so that what a
correction changed can be named to the nanosecond in a store that knows times only.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, NamedTuple, TypeAlias

if TYPE_CHECKING:
    from logger.core.bay import Bay

SLOT_NS = 10_000

Run: TypeAlias = tuple[str, str | None, int, int | None]
"""Station, lot, start and end (ns of station time; None: open), as `books.Books.spans` gives them."""


class Tag(NamedTuple):
    """Empty: none."""

    run: str = ""
    lot: str = ""


class Changed(NamedTuple):
    """A stretch of a station's time, [from, to) in ns, that had another tag, ``was``. ``to_ns`` None: on."""

    station: str
    from_ns: int
    to_ns: int | None
    was: Tag


class Clockwork(NamedTuple):
    """From ``from_ns`` of station time on (until the next one's), wall time = station time + ``shift_ns``.

    ``trusted``: something said that the wall clock was right.
    """

    from_ns: int
    shift_ns: int
    trusted: bool


class Tagging(NamedTuple):
    """What the journal's entries mean, as it stands now: runs by name, and the wall time of station time."""

    runs: dict[str, Run]
    clockwork: tuple[Clockwork, ...]


def tagging(bay: Bay) -> Tagging:
    """Of a bay as it is folded; a copy, which later entries do not change."""
    return Tagging(bay.books.spans(), bay.walltime.clockwork())


class Spans:
    """The tags of every station's time. ``runs`` of one station do not overlap (the books see to it)."""

    def __init__(self, runs: Mapping[str, Run]) -> None:
        self.runs = dict(runs)
        self._edges: dict[str, tuple[list[int], list[Tag]]] = {}
        by_station: dict[str, list[tuple[int, int | None, Tag]]] = {}
        for run, (station, lot, start_ns, end_ns) in runs.items():
            end = None if end_ns is None else _slot_at_or_after(end_ns)
            span = (_slot_at_or_after(start_ns), end, Tag(run, lot or ""))
            by_station.setdefault(station, []).append(span)
        for station, spans in by_station.items():
            edges: list[int] = []
            tags: list[Tag] = []
            for start, end, tag in sorted(spans, key=lambda each: each[0]):
                if end is not None and end <= start:
                    continue  # not a slot of its own: nothing can be tagged with it
                if edges and edges[-1] >= start:  # it goes on where the one before ends
                    edges.pop()
                    tags.pop()
                edges.append(start)
                tags.append(tag)
                if end is not None:
                    edges.append(end)
                    tags.append(_NONE)
            self._edges[station] = edges, tags

    def at(self, station: str, at_ns: int) -> Tag:
        """The tag of a moment (ns of station time)."""
        return self.stretch(station, at_ns)[2]

    def stretch(self, station: str, at_ns: int) -> tuple[int, int | None, Tag]:
        """[from, to) in ns around a moment where its tag holds, and the tag; ``to`` None: on."""
        edges, tags = self._edges.get(station, _NO_EDGES)
        number = bisect_right(edges, at_ns // SLOT_NS)
        start_ns = edges[number - 1] * SLOT_NS if number else 0
        end_ns = edges[number] * SLOT_NS if number < len(edges) else None
        return start_ns, end_ns, tags[number - 1] if number else _NONE

    def changes(self, newer: Spans) -> list[Changed]:
        """The stretches whose tag is another in ``newer``, with the tag they have here; in order."""
        changed: list[Changed] = []
        for station in sorted(self._edges.keys() | newer._edges.keys()):
            mine, theirs = self._edges.get(station, _NO_EDGES), newer._edges.get(station, _NO_EDGES)
            edges = sorted({0, *mine[0], *theirs[0]})
            for number, edge in enumerate(edges):
                was = self.at(station, edge * SLOT_NS)
                if was == newer.at(station, edge * SLOT_NS):
                    continue
                end = edges[number + 1] * SLOT_NS if number + 1 < len(edges) else None
                last = changed[-1] if changed else None
                if last is not None and last[0] == station and last[2:] == (edge * SLOT_NS, was):
                    changed[-1] = last._replace(to_ns=end)
                else:
                    changed.append(Changed(station, edge * SLOT_NS, end, was))
        return changed

    def to_json(self) -> dict[str, Any]:
        return {run: list(span) for run, span in self.runs.items()}

    @classmethod
    def from_json(cls, told: Mapping[str, Any]) -> Spans:
        return cls({run: (s, lot, start, end) for run, (s, lot, start, end) in told.items()})


_NONE = Tag()
_NO_EDGES: tuple[list[int], list[Tag]] = ([], [])


def _slot_at_or_after(at_ns: int) -> int:
    return -(-at_ns // SLOT_NS)
