"""What a run keeps of each bay: a line of JSON, written as soon as the bay is done."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from tests.bench.peers.calibrate import Hour
from tests.bench.testbay.score import Scored, from_json


@dataclass(frozen=True)
class Job:
    seed: int
    set: str
    what: str

    @property
    def bay(self) -> str:
        return f"{self.set} {self.what} {self.seed}"


@dataclass(frozen=True)
class Calm:
    """The critical parameters of all peers in the undisturbed hours of a bay. None of our code is in them."""

    job: Job
    hours: list[Hour]


@dataclass(frozen=True)
class Part:
    """What one way made of a bay; outlets called clogged at feed stops, of how many."""

    way: str
    scored: Scored
    called: int
    stops: int


@dataclass(frozen=True)
class Bay:
    """What all ways made of a bay, and the kinds of alarms that Tallydeck raised in undisturbed hours of it.

    ``calm_h`` are the outlet-hours of those, ``calm_station_h`` the station-hours.
    """

    job: Job
    parts: list[Part]
    calm_h: float = 0.0
    calm_station_h: float = 0.0
    calm_alarms: list[str] = field(default_factory=list)


@dataclass(frozen=True)
class Broken:
    """A bay that could not be played to its end, and the error that ended it."""

    job: Job
    error: str


Line = Calm | Bay | Broken


def to_line(record: Line) -> str:
    return json.dumps({"is": type(record).__name__, **asdict(record)})


def from_line(line: str) -> Line:
    data: dict[str, Any] = json.loads(line)
    kind, job = data.pop("is"), Job(**data.pop("job"))
    if kind == "Calm":
        return Calm(job, [Hour(**h) for h in data["hours"]])
    if kind == "Broken":
        return Broken(job, data["error"])
    parts = [Part(**{**p, "scored": from_json(p["scored"])}) for p in data.pop("parts")]
    return Bay(job, parts, **data)


def read(paths: Iterable[Path]) -> Iterator[Line]:
    """All records of files; a last line that was cut off in the middle is left out."""
    for path in paths:
        for line in path.read_text().splitlines(keepends=True):
            if line.endswith("\n"):
                yield from_line(line)
