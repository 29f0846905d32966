"""The columns of the goals table: what each way made of all bays, added up."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field

from tests.bench.goals.jobs import OURS
from tests.bench.goals.kept import Bay, Line
from tests.bench.goals.run import hours_of, tuned_of
from tests.bench.peers.all_of import PEERS
from tests.bench.peers.calibrate import Tuned, units
from tests.bench.testbay.score import OUTLET_KINDS, Scored
from tests.bench.testbay.table import together


@dataclass
class Column:
    """``calm_alarms`` came in ``calm_h`` undisturbed outlet-hours on which nothing was tuned; ``tuned`` and
    ``tuned_feed`` say how a peer was set at outlets and at the feed (Tallydeck is not tuned here)."""

    name: str
    total: Scored
    called: int = 0
    stops: int = 0
    tuned: Tuned | None = None
    tuned_feed: Tuned | None = None
    calm_alarms: int = 0
    calm_h: float = 0.0
    calm_others: Counter[str] = field(default_factory=Counter)
    calm_station_h: float = 0.0


def columns(records: Iterable[Line]) -> list[Column]:
    """Ours first, then every peer that was played."""
    records = list(records)
    hours = hours_of(records)
    tuned = tuned_of(hours, units(hours, PEERS))
    made = []
    for way in (OURS, *PEERS):
        parts = [p for bay in records if isinstance(bay, Bay) for p in bay.parts if p.way == way]
        if not parts:
            continue
        column = Column(way, together(p.scored for p in parts))
        column.called, column.stops = sum(p.called for p in parts), sum(p.stops for p in parts)
        if way == OURS:
            _own_calm(column, [r for r in records if isinstance(r, Bay)])
        else:
            column.tuned, column.tuned_feed = tuned[way, False], tuned[way, True]
            if column.tuned is not None:
                column.calm_alarms, column.calm_h = column.tuned.check_alarms, column.tuned.check_hours
        made.append(column)
    return made


def _own_calm(column: Column, bays: list[Bay]) -> None:
    kinds = Counter(kind for each in bays for kind in each.calm_alarms)
    column.calm_alarms = sum(kinds.pop(kind, 0) for kind in OUTLET_KINDS)
    column.calm_h = sum(each.calm_h for each in bays)
    column.calm_station_h = sum(each.calm_station_h for each in bays)
    column.calm_others = kinds
