"""Fold a record again: readings from a CSV with actions from a JSON-lines file, or a journal.

The CSV has the columns ``time,channel,value,unit,stable`` (RFC 3339 with an offset; stable 1, 0 or
empty). Actions are one JSON object a line, the API's own schema with a ``time``. One run spans the file
unless the actions say otherwise. Nothing is written anywhere but to the files asked for.
"""

from __future__ import annotations

import csv
import json
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from heapq import merge
from pathlib import Path
from typing import Any, TextIO

from pydantic import ValidationError

from logger.core.actions import BODY, EndRun, StartRun
from logger.core.actions.faults import faults, sentence
from logger.core.bay import Bay
from logger.core.description import Bay as BayDescription
from logger.core.entries import Action, Entry, Finding, Garbage, Reading
from logger.core.walltime import parse_rfc3339, rfc3339

COLUMNS = ("time", "channel", "value", "unit", "stable")
NS = 10**9
DISORDER_NS = 2 * NS
STABLE = {"1": True, "0": False, "": None}


class ReplayError(Exception):
    """A file can't be replayed; the text says what, where, and what to do."""


@dataclass(slots=True)
class Outcome:
    """What a replay gave. ``notes`` are remarks for stderr, each said once."""

    bay: Bay
    readings: int = 0
    notes: list[str] = field(default_factory=list)


# ---------------------------------------------------------------------- reading files


def read_csv(path: Path, notes: list[str]) -> list[Entry]:
    """The readings of a CSV file, in order of time. A row that can't be read becomes Garbage, and a note."""
    entries: list[Entry] = []
    bad: list[str] = []
    try:
        with path.open(newline="", encoding="utf-8-sig") as file:
            rows = csv.reader(file)
            header = next(rows, None)
            if header is None or tuple(h.strip().lower() for h in header) != COLUMNS:
                raise ReplayError(
                    f"{path}: line 1: found {','.join(header or ['nothing'])!r}, "
                    f"expected the header {','.join(COLUMNS)!r}"
                )
            for row in rows:
                try:
                    entries.append(_reading(row))
                except ValueError as error:
                    if not row:
                        continue
                    bad.append(f"line {rows.line_num}: {error}")
                    at_ns = entries[-1].at_ns if entries else 0
                    entries.append(Garbage(at_ns, "", ",".join(row).encode()[:500], "bad-row"))
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise ReplayError(f"{path}: can't be read: {error}") from error
    if bad:
        shown = "; ".join(bad[:3])
        notes.append(
            f"{path}: {len(bad)} of {len(entries)} rows could not be read ({shown}); they are left out"
        )
    if len(bad) == len(entries):
        raise ReplayError(f"{path}: holds no reading")
    return _in_order(entries, path, notes)


def _reading(row: list[str]) -> Reading:
    """One row; ValueError says what is wrong with it."""
    if len(row) != len(COLUMNS):
        raise ValueError(f"{len(row)} fields, expected {len(COLUMNS)}")
    time, channel, value, unit, stable = row
    whole, _, part = value.partition(".")
    try:
        number = int(whole + part)
        flag = STABLE[stable]
    except ValueError:
        raise ValueError(f'value "{value}" is not a number such as 12.345') from None
    except KeyError:
        raise ValueError(f'stable "{stable}" is not 1, 0 or empty') from None
    return Reading(parse_rfc3339(time), channel, number, -len(part), unit, flag)


def _in_order(entries: list[Entry], path: Path, notes: list[str]) -> list[Entry]:
    latest = 0
    for entry in entries:
        if entry.at_ns < latest - DISORDER_NS:
            notes.append(f"{path}: rows are not in order of time; they were sorted")
            return sorted(entries, key=lambda e: e.at_ns)
        latest = max(latest, entry.at_ns)
    return entries


def read_actions(path: Path) -> list[Entry]:
    """Actions of a JSON-lines file, in order of time; ReplayError lists every bad line."""
    found: list[Entry] = []
    bad: list[str] = []
    try:
        lines = path.read_text("utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        raise ReplayError(f"{path}: can't be read: {error}") from error
    for number, line in enumerate(lines, 1):
        if not line.strip():
            continue
        try:
            body = BODY.validate_python(json.loads(line))
        except ValidationError as error:
            bad += [f"{path}: line {number}: {sentence(fault)}" for fault in faults(error)]
            continue
        except ValueError as error:
            bad.append(f"{path}: line {number}: is not a JSON object: {error}")
            continue
        if body.time_ns is None:
            bad.append(f'{path}: line {number}: "time" is missing; give RFC 3339 with an offset')
            continue
        found.append(Action(body.time_ns, body, body.id, body.who))
    if bad:
        raise ReplayError("\n".join(bad))
    return sorted(found, key=lambda entry: entry.at_ns)


# ---------------------------------------------------------------------- folding


def from_files(
    description: BayDescription, readings: Path, actions: Path | None, tell: Callable[[Finding], None]
) -> Outcome:
    """Replay a CSV. ``tell`` gets every finding as it is made."""
    outcome = Outcome(Bay(description))
    _fold(outcome, entries_of_files(description, readings, actions, outcome.notes), tell)
    return outcome


def entries_of_files(
    description: BayDescription, readings: Path, actions: Path | None, notes: list[str]
) -> Iterable[Entry]:
    """The readings and the actions in order of time, not numbered yet; one run spans them unless the
    actions say otherwise."""
    rows = read_csv(readings, notes)
    said = read_actions(actions) if actions is not None else []
    if not any(isinstance(entry, Action) and isinstance(entry.body, StartRun | EndRun) for entry in said):
        said = _spanning(description, rows, said)
    # At equal times what was said comes first: a run started at the first reading counts it.
    return merge(said, rows, key=lambda entry: entry.at_ns)


def _spanning(description: BayDescription, rows: list[Entry], said: list[Entry]) -> list[Entry]:
    """One run of every station over the whole file, with the lot if the actions open one."""
    lots = [entry.body.lot for entry in said if isinstance(entry, Action) and entry.body.action == "open-lot"]
    first, last = rows[0].at_ns, max(entry.at_ns for entry in rows)
    spans: list[Entry] = []
    for station in description.stations:
        lot = lots[0] if lots and said[0].at_ns <= first else None
        spans.append(Action(first, StartRun(station=station.name, lot=lot)))
        spans.append(Action(last, EndRun(station=station.name)))
    # A stable sort keeps a lot that is opened at the very start before its run.
    return sorted([*said, *spans], key=lambda entry: entry.at_ns)


def _fold(outcome: Outcome, entries: Iterable[Entry], tell: Callable[[Finding], None]) -> None:
    bay = outcome.bay
    ends: list[Entry] = []
    seq = 0
    for entry in entries:
        if isinstance(entry, Action) and entry.body.action == "end-run":
            ends.append(entry)  # a run's end comes after the readings of that very moment
            continue
        if ends and entry.at_ns > ends[0].at_ns:
            for end in ends:
                seq += 1
                _apply(bay, end._replace(seq=seq), tell)
            ends = []
        seq += 1
        if type(entry) is Reading:
            outcome.readings += 1
        _apply(bay, entry._replace(seq=seq), tell)
    for finding in bay.finish():
        tell(finding)
    for end in ends:
        seq += 1
        _apply(bay, end._replace(seq=seq), tell)
    for channel, count in bay.unknown_channels.items():
        known = ", ".join(bay.channels)
        outcome.notes.append(
            f'{count} readings of channel "{channel}" are left out; the configuration has {known}'
        )


def _apply(bay: Bay, entry: Entry, tell: Callable[[Finding], None]) -> None:
    for finding in bay.apply(entry):
        tell(finding)


def from_journal(
    description: BayDescription, entries: Iterator[Entry], tell: Callable[[Finding], None]
) -> Outcome:
    """Replay a journal's entries as they stand: same entries, same findings."""
    outcome = Outcome(Bay(description))
    for entry in entries:
        if type(entry) is Reading:
            outcome.readings += 1
        _apply(outcome.bay, entry, tell)
    return outcome


# ---------------------------------------------------------------------- writing results


def alarm_line(finding: Finding) -> str:
    """An alarm finding as one JSON line: at least time, kind, channel and state."""
    return json.dumps({"time": rfc3339(finding.at_ns)} | finding.data, ensure_ascii=False)


class AlarmWriter:
    """Writes alarm findings to a file as they come."""

    def __init__(self, file: TextIO, *, from_ns: int = 0, to_ns: int | None = None) -> None:
        self._file = file
        self._from_ns = from_ns
        self._to_ns = to_ns
        self.count = 0

    def __call__(self, finding: Finding) -> None:
        late = self._to_ns is not None and finding.at_ns > self._to_ns
        if finding.kind == "alarm" and finding.at_ns >= self._from_ns and not late:
            self._file.write(alarm_line(finding) + "\n")
            self.count += 1


def tally_of(bay: Bay, run: str | None = None) -> dict[str, Any]:
    """The tally of a run; without a name that of the only run, or of each station's last.

    With one station its tally is the object itself; with more, ``runs`` holds one for each.
    """
    if run is not None:
        if run not in bay.books.runs:
            known = ", ".join(bay.books.runs) or "none"
            raise ReplayError(f'there is no run "{run}" in this record; there is {known}')
        return bay.run_tally(bay.books.runs[run])
    last = {each.station: each for each in bay.books.runs.values()}
    if not last:
        raise ReplayError("there is no run in this record")
    tallies = [bay.run_tally(each) for each in last.values()]
    if len(tallies) == 1:
        return tallies[0]
    outlets = {name: outlet for each in tallies for name, outlet in each["outlets"].items()}
    feeds = [each["feed_kg"] for each in tallies if each["feed_kg"] is not None]
    return {"feed_kg": sum(feeds) if feeds else None, "outlets": outlets, "runs": tallies}
