"""What the record holds of a run, as lines to be drawn and events beside them: as told at the time.

Rates come every ten seconds and tallies every minute while a run is open, as findings in the journal. A start
that was said later than it was has none before it was said; a run of an older version has no rates.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import Any, TypeAlias

from logger.core.entries import Finding
from logger.core.walltime import rfc3339

KINDS = ("rates", "tally", "alarm", "recognised", "no-stop")
"""The findings that are needed."""
MOST_POINTS = 1500
"""Points of a line at the most; of longer runs neighbours are drawn together."""


def run_record(run: Mapping[str, Any], findings: Iterable[Finding]) -> dict[str, Any]:
    """Of a run (`books.Books.run_json`) and the findings of its time: ``rates``, ``tally`` and ``events``.

    Rates in kg/h and L/min, tallies in kg; each a list of times and a list of values for every line, None
    where nothing was known. An event is a finding's data with its ``time``, ``type`` and ``seq``.
    """
    rates: list[tuple[str, dict[str, Any]]] = []
    tallies: list[tuple[str, dict[str, Any]]] = []
    events = []
    for finding in findings:
        at = rfc3339(finding.at_ns)
        if finding.kind == "rates" and finding.subject == run["station"]:
            rates.append((at, _rates(finding.data)))
        elif finding.kind == "tally" and finding.subject == run["run"]:
            tallies.append((at, _tally(finding.data)))
        elif finding.kind not in ("rates", "tally") and _concerns(finding, run["station"]):
            events.append(finding.data | {"time": at, "type": finding.kind, "seq": finding.seq})
    return {
        "run": run["run"],
        "rates": _columns(rates, _mean),
        "tally": _columns(tallies, _latest),
        "events": events,
    }


def _rates(data: Mapping[str, Any]) -> dict[str, Any]:
    lines = {"feed": _first(data["feed"])} if "feed" in data else {}
    lines |= {f"outlet {name}": _first(pair) for name, pair in data["outlets"].items()}
    return lines | {f"water {name}": _first(pair) for name, pair in data["water"].items()}


def _first(pair: list[float | None] | None) -> float | None:
    return None if pair is None else pair[0]


def _tally(data: Mapping[str, Any]) -> dict[str, Any]:
    outlets = data["outlets"].values()
    lines = {"feed": data.get("feed_kg")}
    return lines | {f"outlet {each['name']}": each.get("delivered_kg") for each in outlets}


def _concerns(finding: Finding, station: str) -> bool:
    """Whether it is of the run's station; what is of none (an instrument, the disk) concerns every run."""
    return finding.data.get("station") in (None, "", station)


Values: TypeAlias = "list[float | None]"


def _columns(
    rows: list[tuple[str, dict[str, Any]]], of_many: Callable[[Values], float | None]
) -> dict[str, Any]:
    """Rows turned to columns; every so many neighbours become one, at the time of the last."""
    names = list(dict.fromkeys(name for _, row in rows for name in row))
    step = -(-len(rows) // MOST_POINTS) or 1
    lots = [rows[start : start + step] for start in range(0, len(rows), step)]
    return {
        "times": [lot[-1][0] for lot in lots],
        "lines": {name: [of_many([row.get(name) for _, row in lot]) for lot in lots] for name in names},
    }


def _latest(values: Values) -> float | None:
    return values[-1]


def _mean(values: Values) -> float | None:
    known = [value for value in values if value is not None]
    return round(sum(known) / len(known), 5) if known else None
