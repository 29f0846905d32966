"""What a run keeps of each bay: a line of JSON, written as soon as the bay is done."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from dataclasses import asdict, dataclass
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
    """Undisturbed hours of a bay: critical parameters of all peers, and the alarms that Tallydeck raised.

    ``own_h`` are the outlet-hours and ``own_feed_h`` the station-hours that it was asked in.
    """

    job: Job
    hours: list[Hour]
    own_h: float
    own_feed_h: float
    own_alarms: list[str]


@dataclass(frozen=True)
class Part:
    """What one way made of a bay; outlets called clogged at feed stops, of how many."""

    way: str
    scored: Scored
    called: int
    stops: int


@dataclass(frozen=True)
class Bay:
    """What all ways made of a bay."""

    job: Job
    parts: list[Part]


Line = Calm | Bay


def to_line(record: Line) -> str:
    return json.dumps({"is": type(record).__name__, **asdict(record)})


def from_line(line: str) -> Line:
    data: dict[str, Any] = json.loads(line)
    kind, job = data.pop("is"), Job(**data.pop("job"))
    if kind == "Calm":
        return Calm(job, [Hour(**h) for h in data.pop("hours")], **data)
    return Bay(job, [Part(p["way"], from_json(p["scored"]), p["called"], p["stops"]) for p in data["parts"]])


def read(paths: Iterable[Path]) -> Iterator[Line]:
    """All records of files; a last line that was cut off in the middle is left out."""
    for path in paths:
        for line in path.read_text().splitlines(keepends=True):
            if line.endswith("\n"):
                yield from_line(line)
