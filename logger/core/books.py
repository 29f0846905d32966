"""Lots, runs and what was said about them: the spans that tag every reading.

A run is a span [start, end) of one station. Spans are set by Actions and may be set afterwards with an
earlier time; nothing is overwritten, since the Actions themselves are the record. A refusal raises
`Refused`, whose text is for the operator.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from typing import Any

from logger.core import actions
from logger.core.entries import Action
from logger.core.walltime import rfc3339

FUTURE_NS = 60 * 10**9
"""How far ahead of its saying an action may take effect (a hand-held clock may be a little off)."""
IDS_KEPT = 10_000


class Refused(Exception):
    """The action makes no sense now; the text says why and what to do."""


@dataclass(slots=True)
class Lot:
    lot: str
    owner: str
    material: str
    gross_kg: float | None
    tare_kg: float | None
    moisture: float | None
    opened_ns: int

    @property
    def net_kg(self) -> float | None:
        return None if self.gross_kg is None else self.gross_kg - (self.tare_kg or 0.0)

    def to_json(self) -> dict[str, Any]:
        return {
            "lot": self.lot,
            "owner": self.owner,
            "material": self.material,
            "gross_kg": self.gross_kg,
            "tare_kg": self.tare_kg,
            "net_kg": None if self.net_kg is None else round(self.net_kg, 6),
            "moisture": self.moisture,
            "opened": rfc3339(self.opened_ns),
        }


@dataclass(slots=True)
class Run:
    run: str
    station: str
    lot: str | None
    start_ns: int
    end_ns: int | None = None
    settings: list[tuple[int, dict[str, str]]] = field(default_factory=list)
    notes: list[tuple[int, str]] = field(default_factory=list)

    def to_json(self) -> dict[str, Any]:
        return {
            "run": self.run,
            "station": self.station,
            "lot": self.lot,
            "start": rfc3339(self.start_ns),
            "end": None if self.end_ns is None else rfc3339(self.end_ns),
            "settings": [{"time": rfc3339(at), "values": values} for at, values in self.settings],
            "notes": [{"time": rfc3339(at), "text": text} for at, text in self.notes],
        }


@dataclass(slots=True)
class StationBook:
    """What is said of one station at present."""

    settings: dict[str, str] = field(default_factory=dict)
    open_run: Run | None = None


class Books:
    """All lots and runs of a bay, and the ids of actions already taken."""

    def __init__(self, stations: tuple[str, ...]) -> None:
        self.lots: dict[str, Lot] = {}
        self.runs: dict[str, Run] = {}
        self.stations = {name: StationBook() for name in stations}
        self.notes: deque[tuple[int, str]] = deque(maxlen=200)  # those that belong to no run
        self._ids: dict[str, int] = {}

    def taken(self, action_id: str) -> int | None:
        """The seq of an action with this id that was taken before, if any."""
        return self._ids.get(action_id) if action_id else None

    def remember(self, action: Action) -> None:
        """Note an action's id; the oldest ids are forgotten beyond 10,000."""
        if action.id:
            self._ids[action.id] = action.seq
            if len(self._ids) > IDS_KEPT:
                del self._ids[next(iter(self._ids))]

    def station_of(self, named: str | None) -> str:
        """The station an action means; refused where it is unknown or ambiguous."""
        if named is None:
            if len(self.stations) == 1:
                return next(iter(self.stations))
            raise Refused(f"say which station: {', '.join(self.stations)}")
        if named not in self.stations:
            raise Refused(f'there is no station "{named}"; there is {", ".join(self.stations)}')
        return named

    def open_lot(self, at_ns: int, body: actions.OpenLot) -> Lot:
        if body.lot in self.lots:
            raise Refused(f'lot "{body.lot}" is booked in already; choose another name')
        if body.gross is None and body.tare is not None:
            raise Refused(f'lot "{body.lot}" has a tare but no gross; give both')
        self.lots[body.lot] = lot = Lot(
            body.lot, body.owner, body.material, body.gross, body.tare, body.moisture, at_ns
        )
        return lot

    def start_run(self, at_ns: int, said_ns: int, body: actions.StartRun) -> Run:
        station = self.station_of(body.station)
        book = self.stations[station]
        if book.open_run is not None:
            raise Refused(f'run "{book.open_run.run}" is still open on {station}; end it first')
        if body.lot is not None and body.lot not in self.lots:
            raise Refused(f'there is no lot "{body.lot}"; open it first')
        name = body.run or self._next_run()
        if name in self.runs:
            raise Refused(f'there is a run "{name}" already; choose another name')
        self._not_future(at_ns, said_ns)
        last = max((r.end_ns or 0 for r in self.runs.values() if r.station == station), default=0)
        if at_ns < last:
            raise Refused(f"the last run of {station} ended at {rfc3339(last)}; start after that")
        run = Run(name, station, body.lot, at_ns)
        if book.settings:
            run.settings.append((at_ns, dict(book.settings)))
        self.runs[name] = run
        book.open_run = run
        return run

    def _next_run(self) -> str:
        number = len(self.runs) + 1
        while f"run-{number}" in self.runs:
            number += 1
        return f"run-{number}"

    def end_run(self, at_ns: int, said_ns: int, body: actions.EndRun) -> Run:
        station = self.station_of(body.station)
        run = self.stations[station].open_run
        if run is None:
            raise Refused(f"no run is open on {station}")
        self._not_future(at_ns, said_ns)
        if at_ns < run.start_ns:
            raise Refused(f'run "{run.run}" started at {rfc3339(run.start_ns)}; it can\'t end before that')
        run.end_ns = at_ns
        self.stations[station].open_run = None
        return run

    def write_settings(self, at_ns: int, body: actions.Settings) -> str:
        station = self.station_of(body.station)
        book = self.stations[station]
        book.settings = book.settings | dict(body.values)
        if book.open_run is not None:
            book.open_run.settings.append((at_ns, dict(body.values)))
        return station

    def note(self, at_ns: int, body: actions.Note) -> None:
        named = None if body.station is None and len(self.stations) > 1 else self.station_of(body.station)
        run = self.stations[named].open_run if named is not None else None
        if run is None:
            self.notes.append((at_ns, body.text))
        else:
            run.notes.append((at_ns, body.text))

    @staticmethod
    def _not_future(at_ns: int, said_ns: int) -> None:
        if at_ns > said_ns + FUTURE_NS:
            raise Refused(f"{rfc3339(at_ns)} is in the future; it is {rfc3339(said_ns)} here")
