"""Alarms as plain JSON: those that stand, and the list of all there could be, with what is counted of each.

Counted are raises of a run, *chattering* (`CHATTER` raises within a minute) and *stale* (standing for more
than a day): the measures and limits of ISA-18.2 / EEMUA 191, from memory.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

from logger.core.alarm_states import LATCHES, State, spoken
from logger.core.alarms import RAISES_KEPT, Alarm
from logger.core.books import Run
from logger.core.rules.contract import Judgement
from logger.core.walltime import rfc3339

if TYPE_CHECKING:
    from logger.core.bay import Bay

NS = 10**9
CHATTER = 3
CHATTER_NS = 60 * NS
STALE_NS = 24 * 3600 * NS
_STANDING = frozenset({State.UNACKNOWLEDGED, State.ACKNOWLEDGED})


def alarm_json(alarm: Alarm, at_ns: int) -> dict[str, Any]:
    """One alarm as it stands. One that is over still says what it was; how it ended stands under `do`.

    ``since`` is when the condition began, ``state_since`` when the state did; ``latches`` is the reason why
    a kind latches, or empty; ``can`` what a person may do with it now.
    """
    told = _told(alarm)
    return {
        "id": alarm.id,
        "kind": told.kind,
        "station": alarm.station,
        "subject": told.subject,
        "channel": told.channel,
        "state": str(alarm.state),
        "state_since": rfc3339(alarm.changed_ns) if alarm.changed_ns else None,
        "since": rfc3339(told.since_s * NS) if told.since_s else None,
        "since_s_ago": max(0, at_ns // NS - told.since_s) if told.since_s else None,
        "active": told.active,
        "what": told.what,
        "do": told.do,
        "evidence": dict(told.evidence),
        "suppressed_by": told.evidence.get("suppressed_by") if alarm.state is State.SUPPRESSED else None,
        "shelved_until": rfc3339(alarm.shelved_until_ns) if alarm.shelved_until_ns else None,
        "why": alarm.why,
        "who": alarm.who,
        "latches": LATCHES.get(told.kind, ""),
        "can": spoken(alarm.state),
    }


def _told(alarm: Alarm) -> Judgement:
    told = alarm.judged
    if told.active:
        return told
    last = alarm.latched or alarm.raised
    if alarm.state is State.NORMAL or last is None:
        words = told.what or f"{told.kind.replace('-', ' ').capitalize()}: {told.subject}."
        return replace(told, what=words)
    known = {**last.evidence, **told.evidence}
    return replace(last, active=False, do=f"Over: {told.what}", evidence=known)


def listed(bay: Bay) -> dict[str, Any]:
    """Every alarm there could be, with its counts, and how often each kind was raised in the run.

    The run is the open one of the alarm's station, else its last; for an alarm of no station the first that
    began of all these.
    """
    runs = {name: _run_of(bay, name) for name in bay.stations}
    starts = [run.start_ns for run in runs.values() if run is not None]
    raised: dict[str, int] = {}
    alarms = []
    for alarm in bay.alarms.all():
        run = runs.get(alarm.station)
        from_ns = min(starts, default=None) if run is None and not alarm.station else None
        from_ns = from_ns if run is None else run.start_ns
        times = 0 if from_ns is None else raised_since(alarm, from_ns)
        if times:
            kind = alarm.judged.kind
            raised[kind] = raised.get(kind, 0) + times
        chattered_ns = chattered_at(alarm, from_ns or 0)
        alarms.append(
            alarm_json(alarm, bay.at_ns)
            | {
                "run": None if run is None else run.run,
                "raised_in_run": times,
                "raised_in_run_or_more": times == RAISES_KEPT,
                "chattered": None if chattered_ns is None else rfc3339(chattered_ns),
                "stale": is_stale(alarm, bay.at_ns),
            }
        )
    return {"at": rfc3339(bay.at_ns), "raised_in_run": raised, "alarms": alarms}


def raised_since(alarm: Alarm, from_ns: int) -> int:
    """How often it was raised from then on; `RAISES_KEPT` means so often or more."""
    return sum(at_ns >= from_ns for at_ns in alarm.raises)


def chattered_at(alarm: Alarm, from_ns: int) -> int | None:
    """When it last was raised `CHATTER` times within a minute, from then on; None: it did not."""
    times = [at_ns for at_ns in alarm.raises if at_ns >= from_ns]
    late = zip(times, times[CHATTER - 1 :], strict=False)
    return max((last for first, last in late if last - first <= CHATTER_NS), default=None)


def is_stale(alarm: Alarm, at_ns: int) -> bool:
    """Whether it has stood for more than a day, acknowledged or not."""
    return alarm.state in _STANDING and at_ns - alarm.raised_ns > STALE_NS


def _run_of(bay: Bay, station: str) -> Run | None:
    """The open run, else the one that began last."""
    opened = bay.books.stations[station].open_run
    past = [run for run in bay.books.runs.values() if run.station == station]
    return opened or max(past, key=lambda run: run.start_ns, default=None)
