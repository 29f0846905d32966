"""Alarms and their states, after ISA-18.2 / IEC 62682 (the state model from memory, not read here).

A rule judges (`rules.contract.Judgement`); this table decides what a person is told. The states and
the legal ways between them stand in one table, `LEGAL`, to be checked by eye; a step that is not in
it raises. Nothing latches: an alarm whose condition ended and that was acknowledged is gone.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

from logger.core.rules.contract import Judgement


class State(StrEnum):
    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"  # the condition holds, nobody has said they saw it
    ACKNOWLEDGED = "acknowledged"  # the condition holds and was seen
    RETURNED = "returned-unacknowledged"  # the condition ended before it was seen
    SHELVED = "shelved"  # silenced by the operator, for a limited time
    SUPPRESSED = "suppressed"  # silent by design: it would only repeat another cause
    OUT_OF_SERVICE = "out-of-service"  # taken away by hand, without a time limit


class Step(StrEnum):
    RAISE = "raised"
    ACKNOWLEDGE = "acknowledged"
    CLEAR = "cleared"
    SHELVE = "shelved"
    UNSHELVE = "unshelved"
    SUPPRESS = "suppressed"
    UNSUPPRESS = "unsuppressed"
    REMOVE = "out-of-service"
    RETURN = "in-service"


LEGAL: dict[State, dict[Step, State]] = {
    State.NORMAL: {
        Step.RAISE: State.UNACKNOWLEDGED,
        Step.SHELVE: State.SHELVED,
        Step.SUPPRESS: State.SUPPRESSED,
        Step.REMOVE: State.OUT_OF_SERVICE,
    },
    State.UNACKNOWLEDGED: {
        Step.ACKNOWLEDGE: State.ACKNOWLEDGED,
        Step.CLEAR: State.RETURNED,
        Step.SHELVE: State.SHELVED,
        Step.SUPPRESS: State.SUPPRESSED,
        Step.REMOVE: State.OUT_OF_SERVICE,
    },
    State.ACKNOWLEDGED: {
        Step.CLEAR: State.NORMAL,
        Step.SHELVE: State.SHELVED,
        Step.SUPPRESS: State.SUPPRESSED,
        Step.REMOVE: State.OUT_OF_SERVICE,
    },
    State.RETURNED: {
        Step.RAISE: State.UNACKNOWLEDGED,
        Step.ACKNOWLEDGE: State.NORMAL,
        Step.SHELVE: State.SHELVED,
        Step.SUPPRESS: State.SUPPRESSED,
        Step.REMOVE: State.OUT_OF_SERVICE,
    },
    State.SHELVED: {Step.UNSHELVE: State.NORMAL, Step.REMOVE: State.OUT_OF_SERVICE},
    State.SUPPRESSED: {Step.UNSUPPRESS: State.NORMAL, Step.REMOVE: State.OUT_OF_SERVICE},
    State.OUT_OF_SERVICE: {Step.RETURN: State.NORMAL},
}
"""State -> what may happen -> the state after it. After UNSHELVE, UNSUPPRESS and RETURN a condition
that still holds is raised (or suppressed) anew in the same breath."""


class IllegalStep(ValueError):
    """A step that the table of alarm states does not allow; the message lists those it does."""


def after(state: State, step: Step) -> State:
    """The state after a legal step; IllegalStep otherwise."""
    try:
        return LEGAL[state][step]
    except KeyError:
        allowed = ", ".join(LEGAL[state])
        raise IllegalStep(f'an alarm that is {state} cannot be "{step}"; allowed: {allowed}') from None


@dataclass(frozen=True, slots=True)
class AlarmChange:
    """An alarm changed: what happened, the ISA-18.2 state after it, and what to tell the operator.

    ``at_ns`` when it changed, ``since_s`` when the condition is thought to have begun (station time).
    """

    at_ns: int
    id: str
    kind: str
    station: str
    subject: str
    channel: str
    change: str
    state: str
    since_s: int
    what: str
    do: str
    evidence: dict[str, Any] = field(default_factory=dict)

    def to_json(self) -> dict[str, Any]:
        """Plain JSON; ``state`` is the word of the change (``raised``, …), ``alarm_state`` the state."""
        return {
            "kind": self.kind,
            "channel": self.channel,
            "state": self.change,
            "alarm_state": self.state,
            "id": self.id,
            "station": self.station,
            "subject": self.subject,
            "since_s": self.since_s,
            "what": self.what,
            "do": self.do,
            "evidence": self.evidence,
        }


@dataclass(frozen=True, slots=True)
class Alarm:
    """An alarm as it stands. ``judged`` is the rule's newest word, whatever the state."""

    id: str
    station: str
    judged: Judgement
    state: State
    changed_ns: int
    raised_ns: int = 0  # when it was last raised; 0 never
    raised: Judgement | None = None  # what was said when it was last raised
    shelved_until_ns: int = 0  # 0: not shelved
    times: int = 0  # how often it was raised


class AlarmTable:
    """All alarms of a bay. Pure: time comes in as an argument. As many alarms as rules have subjects."""

    def __init__(self) -> None:
        self._alarms: dict[str, Alarm] = {}

    def judge(self, judgement: Judgement, station_name: str, at_ns: int) -> list[AlarmChange]:
        """Take a rule's changed opinion. ``station_name`` is "" for an instrument's alarm."""
        name = alarm_id(judgement, station_name)
        alarm = self._alarms.get(name)
        if alarm is None:
            alarm = Alarm(name, station_name, judgement, State.NORMAL, at_ns)
        else:
            alarm = _with(alarm, judged=judgement)
        self._alarms[name] = alarm
        return self._settle(name, at_ns)

    def acknowledge(self, which: str, at_ns: int) -> list[AlarmChange]:
        """Acknowledge one alarm, or "all". KeyError for an id that is not known.

        One that needs no acknowledgement is left as it is: two people may press the same button.
        """
        names = list(self._alarms) if which == "all" else [self.get(which).id]
        changes = []
        for name in names:
            if Step.ACKNOWLEDGE in LEGAL[self._alarms[name].state]:
                changes.append(self._step(name, Step.ACKNOWLEDGE, at_ns))
        return changes

    def shelve(self, which: str, until_ns: int, at_ns: int) -> list[AlarmChange]:
        """Silence an alarm until then. Shelving a shelved one moves its end. KeyError, IllegalStep."""
        alarm = self.get(which)
        if until_ns <= at_ns:
            raise ValueError(f'alarm "{which}" would be shelved into the past; give a time still to come')
        if alarm.state is State.SHELVED:
            self._alarms[which] = _with(alarm, shelved_until_ns=until_ns)
            return []
        change = self._step(which, Step.SHELVE, at_ns)
        self._alarms[which] = _with(self._alarms[which], shelved_until_ns=until_ns)
        return [change]

    def unshelve(self, which: str, at_ns: int) -> list[AlarmChange]:
        """End the silence early. KeyError; IllegalStep where it is not shelved."""
        self.get(which)
        change = self._step(which, Step.UNSHELVE, at_ns)
        self._alarms[which] = _with(self._alarms[which], shelved_until_ns=0)
        return [change, *self._settle(which, at_ns)]

    def take_out_of_service(self, which: str, at_ns: int) -> list[AlarmChange]:
        """Silence an alarm without a limit. KeyError, IllegalStep."""
        self.get(which)
        change = self._step(which, Step.REMOVE, at_ns)
        self._alarms[which] = _with(self._alarms[which], shelved_until_ns=0)
        return [change]

    def return_to_service(self, which: str, at_ns: int) -> list[AlarmChange]:
        """Undo `take_out_of_service`. KeyError, IllegalStep."""
        self.get(which)
        return [self._step(which, Step.RETURN, at_ns), *self._settle(which, at_ns)]

    def tick(self, at_ns: int) -> list[AlarmChange]:
        """Time passed: shelved alarms come back."""
        changes: list[AlarmChange] = []
        for name, alarm in list(self._alarms.items()):
            if alarm.state is State.SHELVED and alarm.shelved_until_ns <= at_ns:
                changes += self.unshelve(name, at_ns)
        return changes

    def active(self) -> list[Alarm]:
        """What the board lists: everything that is not normal, the newest raised first."""
        shown = [alarm for alarm in self._alarms.values() if alarm.state is not State.NORMAL]
        return sorted(shown, key=lambda alarm: (-alarm.raised_ns, alarm.id))

    def get(self, which: str) -> Alarm:
        """The alarm of that id; KeyError where it was never judged."""
        try:
            return self._alarms[which]
        except KeyError:
            raise KeyError(f'there is no alarm "{which}" here; ids are listed with the alarms') from None

    def _settle(self, name: str, at_ns: int) -> list[AlarmChange]:
        """Take the steps that bring the state in line with what is judged."""
        changes = []
        while (step := _due(self._alarms[name])) is not None:
            changes.append(self._step(name, step, at_ns))
        return changes

    def _step(self, name: str, step: Step, at_ns: int) -> AlarmChange:
        old = self._alarms[name]
        alarm = _with(old, state=after(old.state, step), changed_ns=at_ns)
        if step is Step.RAISE:
            alarm = _with(alarm, raised_ns=at_ns, raised=alarm.judged, times=alarm.times + 1)
        self._alarms[name] = alarm
        told = alarm.judged
        return AlarmChange(
            at_ns, name, told.kind, alarm.station, told.subject, told.channel, str(step), str(alarm.state),
            told.since_s, told.what, told.do, dict(told.evidence),
        )  # fmt: skip


def alarm_id(judgement: Judgement, station_name: str) -> str:
    """E.g. ``table/outlet-not-delivering/concentrate``; an instrument's has no station before it."""
    parts = (station_name, judgement.kind, judgement.subject)
    return "/".join(part for part in parts if part)


def _due(alarm: Alarm) -> Step | None:
    """The one step that is due by the rule's word, None where state and word agree."""
    told = alarm.judged
    match alarm.state:
        case State.NORMAL | State.RETURNED:
            if told.active:
                return Step.SUPPRESS if told.suppressed else Step.RAISE
        case State.UNACKNOWLEDGED | State.ACKNOWLEDGED:
            if not told.active:
                return Step.CLEAR
            if told.suppressed:
                return Step.SUPPRESS
        case State.SUPPRESSED:
            if not (told.active and told.suppressed):
                return Step.UNSUPPRESS
        case _:
            pass
    return None


def _with(alarm: Alarm, **changed: Any) -> Alarm:
    values = {name: getattr(alarm, name) for name in Alarm.__slots__}
    return Alarm(**(values | changed))
