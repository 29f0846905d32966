"""What a person says to alarms, done to the table of alarms, or refused with what can be said instead."""

from __future__ import annotations

from logger.core import actions
from logger.core.alarm_states import SPOKEN, IllegalStep, State, Step, spoken
from logger.core.alarms import AlarmChange, AlarmTable
from logger.core.books import Refused

NS = 10**9

Said = (
    actions.Acknowledge
    | actions.Shelve
    | actions.Unshelve
    | actions.TakeOutOfService
    | actions.ReturnToService
    | actions.ResetAlarm
)
STEPS = {
    "shelve": Step.SHELVE,
    "unshelve": Step.UNSHELVE,
    "take-out-of-service": Step.REMOVE,
    "return-to-service": Step.RETURN,
    "reset-alarm": Step.RESET,
}
_HINTS = {
    (Step.RESET, State.UNACKNOWLEDGED): "Its condition still holds.",
    (Step.RESET, State.ACKNOWLEDGED): "Its condition still holds.",
    (Step.RESET, State.RETURNED): "Acknowledge it first.",
    (Step.RESET, State.NORMAL): "There is nothing to reset.",
    (Step.SHELVE, State.OUT_OF_SERVICE): "It is silent already, without a limit.",
}


def alarm_said(table: AlarmTable, body: Said, at_ns: int) -> list[AlarmChange]:
    """Do what was said. Refused: an id that no rule could raise, or a step the table of states forbids."""
    try:
        return _do(table, body, at_ns)
    except KeyError as error:
        raise Refused(str(error.args[0])) from None
    except IllegalStep:
        raise Refused(_refusal(table, body)) from None


def _do(table: AlarmTable, body: Said, at_ns: int) -> list[AlarmChange]:
    match body:
        case actions.Acknowledge():
            return table.acknowledge(body.alarm, at_ns)
        case actions.Shelve():
            until_ns = at_ns + max(1, round(body.minutes * 60)) * NS
            return table.shelve(body.alarm, until_ns, at_ns, why=body.why, who=body.who)
        case actions.Unshelve():
            return table.unshelve(body.alarm, at_ns)
        case actions.TakeOutOfService():
            return table.take_out_of_service(body.alarm, at_ns, why=body.why, who=body.who)
        case actions.ReturnToService():
            return table.return_to_service(body.alarm, at_ns)
        case actions.ResetAlarm():
            return table.reset(body.alarm, at_ns)


def _refusal(table: AlarmTable, body: Said) -> str:
    state, step = table.get(body.alarm).state, STEPS[body.action]
    hint = _HINTS.get((step, state), "")
    told = f'alarm "{body.alarm}" is {state}; to {SPOKEN[step]} it makes no sense now.'
    allowed = ", ".join(spoken(state))
    return " ".join(filter(None, (told, hint, f"What can be done with it: {allowed}.")))
