"""The alarms of a bay: a rule judges (`rules.contract.Judgement`), this table decides what a person is told.

Which states there are, and the legal ways between them, stands in `alarm_states`. The table knows from the
start which alarms its rules could raise, so one that never was can be shelved or taken out of service too.
"""

from __future__ import annotations

import difflib
from dataclasses import dataclass, field
from typing import Any

from logger.core.alarm_states import LATCHES, LEGAL, IllegalStep, State, Step, after
from logger.core.rules.contract import Judgement

__all__ = ["LEGAL", "Alarm", "AlarmChange", "AlarmTable", "IllegalStep", "State", "Step", "after", "alarm_id"]

RAISES_KEPT = 500
"""Times of the newest raises that are kept of each alarm, for what is counted of a run."""


@dataclass(frozen=True, slots=True)
class AlarmChange:
    """An alarm changed: what happened, the ISA-18.2 state after it, and what to tell the operator.

    ``at_ns`` when it changed, ``since_s`` when the condition is thought to have begun (station time);
    ``why`` is the reason a person gave for silencing it.
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
    why: str = ""

    def to_json(self) -> dict[str, Any]:
        """Plain JSON; ``state`` is the word of the change (``raised``, …), ``alarm_state`` the state."""
        told = {
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
        return told | ({"why": self.why} if self.why else {})


@dataclass(frozen=True, slots=True)
class Alarm:
    """An alarm as it stands. ``judged`` is the rule's newest word, whatever the state."""

    id: str
    station: str
    judged: Judgement
    state: State = State.NORMAL
    changed_ns: int = 0  # when the state last changed; 0 never
    raised_ns: int = 0  # when it was last raised; 0 never
    raised: Judgement | None = None  # what was said when it was last raised
    latched: Judgement | None = None  # of a kind that latches: what was said, until it is reset
    shelved_until_ns: int = 0  # 0: not shelved
    why: str = ""  # the reason for which it was silenced by hand
    who: str = ""
    raises: tuple[int, ...] = ()  # when it was raised (ns), the newest last
    times: int = 0  # how often it was raised


class AlarmTable:
    """All alarms of a bay. Pure: time comes in as an argument. As many alarms as rules have subjects."""

    def __init__(self) -> None:
        self._alarms: dict[str, Alarm] = {}

    def expect(self, kind: str, subject: str, channel: str = "", station_name: str = "") -> None:
        """Make an alarm known before anything was judged of it."""
        judgement = Judgement(kind, subject, channel, False, 0, "", "")
        name = alarm_id(judgement, station_name)
        self._alarms.setdefault(name, Alarm(name, station_name, judgement))

    def judge(self, judgement: Judgement, station_name: str, at_ns: int) -> list[AlarmChange]:
        """Take a rule's changed opinion. ``station_name`` is "" for an instrument's alarm."""
        name = alarm_id(judgement, station_name)
        alarm = self._alarms.get(name)
        if alarm is None:
            alarm = Alarm(name, station_name, judgement)
        # It latches though it may be silenced by hand: what happened meanwhile is to be seen afterwards.
        holds = judgement.active and not judgement.suppressed and judgement.kind in LATCHES
        self._alarms[name] = _with(alarm, judged=judgement, latched=judgement if holds else alarm.latched)
        return self._settle(name, at_ns)

    def acknowledge(self, which: str, at_ns: int) -> list[AlarmChange]:
        """Acknowledge one alarm, or "all". KeyError for an id that is not known.

        One that needs no acknowledgement is left as it is: two people may press the same button.
        """
        names = list(self._alarms) if which == "all" else [self.get(which).id]
        changes = []
        for name in names:
            if Step.ACKNOWLEDGE in LEGAL[self._alarms[name].state]:
                changes += [self._step(name, Step.ACKNOWLEDGE, at_ns), *self._settle(name, at_ns)]
        return changes

    def reset(self, which: str, at_ns: int) -> list[AlarmChange]:
        """Let go of a latched alarm: what it did was put right. KeyError, IllegalStep."""
        self.get(which)
        change = self._step(which, Step.RESET, at_ns)
        self._alarms[which] = _with(self._alarms[which], latched=None)
        return [change]

    def shelve(
        self, which: str, until_ns: int, at_ns: int, *, why: str = "", who: str = ""
    ) -> list[AlarmChange]:
        """Silence an alarm until then. Shelving a shelved one moves its end. KeyError, IllegalStep."""
        alarm = self.get(which)
        if until_ns <= at_ns:
            raise ValueError(f'alarm "{which}" would be shelved into the past; give a time still to come')
        told = {"shelved_until_ns": until_ns, "why": why, "who": who}
        if alarm.state is State.SHELVED:
            self._alarms[which] = _with(alarm, **told)
            return []
        return [self._step(which, Step.SHELVE, at_ns, **told)]

    def unshelve(self, which: str, at_ns: int) -> list[AlarmChange]:
        """End the silence early. KeyError; IllegalStep where it is not shelved."""
        self.get(which)
        change = self._step(which, Step.UNSHELVE, at_ns, **_NOT_SILENCED)
        return [change, *self._settle(which, at_ns)]

    def take_out_of_service(
        self, which: str, at_ns: int, *, why: str = "", who: str = ""
    ) -> list[AlarmChange]:
        """Silence an alarm without a limit. KeyError, IllegalStep."""
        self.get(which)
        return [self._step(which, Step.REMOVE, at_ns, shelved_until_ns=0, why=why, who=who)]

    def return_to_service(self, which: str, at_ns: int) -> list[AlarmChange]:
        """Undo `take_out_of_service`. KeyError, IllegalStep."""
        self.get(which)
        change = self._step(which, Step.RETURN, at_ns, **_NOT_SILENCED)
        return [change, *self._settle(which, at_ns)]

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

    def all(self) -> list[Alarm]:
        """Every alarm there could be, in the order of stations and rules."""
        return list(self._alarms.values())

    def find(self, which: str) -> Alarm | None:
        """The alarm of that id; None where no rule could raise it."""
        return self._alarms.get(which)

    def get(self, which: str) -> Alarm:
        """The alarm of that id; KeyError where no rule could raise it; it names one that looks like it."""
        try:
            return self._alarms[which]
        except KeyError:
            near = difflib.get_close_matches(which, self._alarms, n=1)
            hint = f'did you mean "{near[0]}"?' if near else '"tallydeck alarm list --all" lists the ids'
            raise KeyError(f'there is no alarm "{which}" here; {hint}') from None

    def _settle(self, name: str, at_ns: int) -> list[AlarmChange]:
        """Take the steps that bring the state in line with what is judged."""
        changes = []
        while (step := _due(self._alarms[name])) is not None:
            changes.append(self._step(name, step, at_ns))
        return changes

    def _step(self, name: str, step: Step, at_ns: int, **said: Any) -> AlarmChange:
        old = self._alarms[name]
        alarm = _with(old, state=after(old.state, step), changed_ns=at_ns, **said)
        if step is Step.RAISE:
            raises = (*alarm.raises[1 - RAISES_KEPT :], at_ns)
            alarm = _with(alarm, raised_ns=at_ns, raised=alarm.judged, raises=raises, times=alarm.times + 1)
        self._alarms[name] = alarm
        told = alarm.latched if step is Step.LATCH and alarm.latched is not None else alarm.judged
        return AlarmChange(
            at_ns, name, told.kind, alarm.station, told.subject, told.channel, str(step), str(alarm.state),
            told.since_s, told.what, told.do, dict(told.evidence), alarm.why,
        )  # fmt: skip


_NOT_SILENCED: dict[str, Any] = {"shelved_until_ns": 0, "why": "", "who": ""}


def alarm_id(judgement: Judgement, station_name: str) -> str:
    """E.g. ``table/outlet-not-delivering/concentrate``; an instrument's has no station before it."""
    parts = (station_name, judgement.kind, judgement.subject)
    return "/".join(part for part in parts if part)


def _due(alarm: Alarm) -> Step | None:
    """The one step that is due by the rule's word, None where state and word agree."""
    told = alarm.judged
    match alarm.state:
        case State.NORMAL | State.RETURNED | State.LATCHED:
            if told.active:
                return Step.SUPPRESS if told.suppressed else Step.RAISE
            if alarm.state is State.NORMAL and alarm.latched is not None:
                return Step.LATCH
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
