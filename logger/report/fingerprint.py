"""The fingerprint of a run's record: whoever has the journal can find out whether a report was made from it.

SHA-256 over lines of UTF-8, each ended by LF; the first is ``tallydeck-record 1``. Then, in order of their
number, one JSON array for every entry and finding of the run's span, and for every action outside it that is
about the run (`_about`), in the form of `canonical`. Nothing of the file's layout enters it: after a
checkpoint, a vacuum or a copy it is the same. That a report was issued does not change what it reports, so
actions ``issue-report`` are left out.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from logger.core.actions import body_json
from logger.core.bay import Bay as Fold
from logger.core.books import Run
from logger.core.entries import Action, Circumstance, Finding, Garbage, Reading, Record, Tick
from logger.core.walltime import parse_rfc3339
from logger.journal.journal import JournalReader

HEAD = b"tallydeck-record 1\n"
ISSUE = "issue-report"
CHUNK = 5000
OF_STATION = ("settings", "pause-feed", "resume-feed", "note", "mark", "start-run", "end-run")
LATER_ACTIONS = (
    "correct",
    "no-stop",
    "container-set",
    "container-changed",
    "container-away",
    "decanted",
)
"""Actions about what was recognised, which the books do not hold."""
SELLING = ("sell-as", "price", "pass-cost", "consists-of")


@dataclass(frozen=True, slots=True)
class Fingerprint:
    """``digest``: 64 hex digits. ``entries``: how many lines; ``later``: of these outside the span."""

    digest: str
    entries: int
    first_seq: int
    last_seq: int
    later: tuple[int, ...]


def fingerprint(
    reader: JournalReader,
    fold: Fold,
    run: Run,
    span: tuple[int, int],
    *,
    upto: int,
    progress: Callable[[float], None] = lambda part: None,
) -> Fingerprint:
    """Of a run whose entries have the numbers ``span`` (both included); actions up to ``upto`` count."""
    first, last = span
    outside = [seq for seq in _about(reader, fold, run) if not first <= seq <= last and seq <= upto]
    digest, lines = hashlib.sha256(HEAD), 0
    for seq in outside:
        if seq < first:
            lines += _take(digest, reader.read(seq - 1, seq, findings=False))
    position, count = first - 1, max(last - first + 1, 1)
    while position < last:
        following = min(position + CHUNK, last)
        lines += _take(digest, reader.read(position, following))
        position = following
        progress((position - first + 1) / count)
    for seq in outside:
        if seq > last:
            lines += _take(digest, reader.read(seq - 1, seq, findings=False))
    return Fingerprint(digest.hexdigest(), lines, first, last, tuple(outside))


def _take(digest: Any, records: Iterable[Record]) -> int:
    made = [
        canonical(each) for each in records if not (isinstance(each, Action) and each.body.action == ISSUE)
    ]
    digest.update("".join(made).encode("utf-8", "surrogatepass"))
    return len(made)


@lru_cache(4096)
def _shape(shape: tuple[Any, ...]) -> str:
    """What repeats in readings: a journal holds millions of them and a few dozen of these."""
    channel, exp, *rest = shape
    return _json([exp, channel, *rest])[1:-1]


def canonical(record: Record) -> str:
    """One line of the form ``[seq, at_ns, type, …]``: JSON without blanks, keys sorted, all of Unicode as it
    is. A reading: number, exponent, channel, unit, stable, status, mode, raw bytes in hexadecimal."""
    if type(record) is Reading:
        tail = _shape(record[1:2] + record[3:8])
        return f'[{record[9]},{record[0]},"reading",{record[2]},{tail},"{record[8].hex()}"]\n'
    return _json(_fields(record)) + "\n"


def _fields(record: Record) -> list[Any]:
    head = [record.seq, record.at_ns]
    match record:
        case Action():
            return [*head, "action", body_json(record.body), record.id, record.who]
        case Circumstance():
            return [*head, "circumstance", record.kind, record.subject, record.data]
        case Garbage():
            return [*head, "garbage", record.channel, record.reason, record.raw.hex()]
        case Finding():
            return [*head, "finding", record.kind, record.subject, record.cause, record.data]
        case Tick():
            return [*head, "tick"]
    raise AssertionError(f"{type(record).__name__} is no record")


def _json(value: Any) -> str:
    return json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False)


# -- which actions are about a run -----------------------------------------------------------------------


def _about(reader: JournalReader, fold: Fold, run: Run) -> list[int]:
    """Numbers of the actions about a run, in order, whether they stand, were corrected or taken back.

    Those are: what names the run or its lot (or a run it was fed from); results and moistures of their
    samples; check weights; what was said of its station with a time in the run, and the settings before it;
    what is sold, paid and consisted of without naming a run; words for its marks; corrections of what was
    recognised in it; and every amendment or withdrawal of one of these.
    """
    told = fold.books.run_json(run)
    about = _About(fold, run, told)
    found: set[int] = set()
    for spoken in fold.books.said_json():
        bodies = [spoken["body"], *(change["was"] for change in spoken["history"])]
        said_ns = parse_rfc3339(spoken["said"])
        if any(about.concerns(body, said_ns) for body in bodies):
            found.add(spoken["entry"])
            found |= {change["entry"] for change in spoken["history"]}
    for kind in LATER_ACTIONS:
        for action in reader.actions(kind):
            if about.concerns(body_json(action.body), action.at_ns):
                found.add(action.seq)
    return sorted(found)


class _About:
    """Whether a body of an action is about a run."""

    def __init__(self, fold: Fold, run: Run, told: Mapping[str, Any]) -> None:
        books = fold.books
        lot = books.lots.get(run.lot) if run.lot is not None else None
        self._run = run
        self._runs = {run.run, *(each.rpartition("/")[0] for each in run.feed_from)}
        self._lots = {each.lot for name in self._runs if (each := books.runs.get(name)) and each.lot}
        samples = [*told["samples"], *([] if lot is None else books.lot_json(lot)["samples"])]
        self._samples = {each["sample"] for each in samples}
        self._marks = {each["mark"] for each in told["marks"]}
        station = fold.stations[run.station].station
        outlets = [name for outlet in station.outlets for name in (outlet.name, *outlet.members)]
        self._outlets = set(outlets)
        self._channels = {outlet.channel for outlet in station.outlets} | {station.feed.channel}
        weights = [each for containers in told["products"].values() for each in containers]
        weights += [] if lot is None else books.lot_json(lot)["containers"]
        self._scales = {each["scale"] for each in weights if each["scale"]} | self._channels
        self._only = len(fold.stations) == 1

    def concerns(self, body: Mapping[str, Any], said_ns: int) -> bool:
        if body.get("run") in self._runs or body.get("lot") in self._lots:
            return True
        by_name = self._by_name(body)
        return self._by_time(body, said_ns) if by_name is None else by_name

    def _by_name(self, body: Mapping[str, Any]) -> bool | None:
        """By what it names, where that decides."""
        match body["action"]:
            case "sample-result" | "moisture" if "sample" in body:
                return body["sample"] in self._samples
            case "word-mark":
                return body["mark"] in self._marks
            case "check-weight":
                return body["scale"] in self._scales
            case "correct":
                return str(body["recognised"]).rpartition("#")[0] in self._channels
            case kind if kind in SELLING:
                return body.get("run") is None and body.get("lot") is None
        return None

    def _by_time(self, body: Mapping[str, Any], said_ns: int) -> bool:
        """By when it took effect, where it is about the station."""
        run, kind = self._run, body["action"]
        at_ns = parse_rfc3339(body["time"]) if body.get("time") else said_ns
        if body.get("station") not in ((None, run.station) if self._only else (run.station,)):
            return kind in ("note", "mark") and body.get("station") is None and run.holds(at_ns)
        if kind == "settings" and at_ns <= run.start_ns:
            return True
        return (kind in OF_STATION or body.get("outlet") in self._outlets) and run.holds(at_ns)
