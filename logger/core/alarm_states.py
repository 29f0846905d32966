"""The states of an alarm and the legal ways between them, after ISA-18.2 / IEC 62682 (from memory).

`LEGAL` is to be checked by eye; a step that is not in it raises. Two differences from the standard's
model: an alarm that latches passes through *returned-unacknowledged* like every other, and *latched* is
what follows once it was seen, so one state does where the standard draws two; and who resets has to have
acknowledged first, since a reset is the last that is heard of it.
"""

from __future__ import annotations

from enum import StrEnum


class State(StrEnum):
    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"  # the condition holds, nobody has said they saw it
    ACKNOWLEDGED = "acknowledged"  # the condition holds and was seen
    RETURNED = "returned-unacknowledged"  # the condition ended before it was seen
    LATCHED = "latched"  # the condition ended and was seen, but what it did must be put right by hand
    SHELVED = "shelved"  # silenced by the operator, for a limited time
    SUPPRESSED = "suppressed"  # silent by design: it would only repeat another cause
    OUT_OF_SERVICE = "out-of-service"  # taken away by hand with a reason, without a time limit


class Step(StrEnum):
    RAISE = "raised"
    ACKNOWLEDGE = "acknowledged"
    CLEAR = "cleared"
    LATCH = "latched"
    RESET = "reset"
    SHELVE = "shelved"
    UNSHELVE = "unshelved"
    SUPPRESS = "suppressed"
    UNSUPPRESS = "unsuppressed"
    REMOVE = "out-of-service"
    RETURN = "in-service"


LEGAL: dict[State, dict[Step, State]] = {
    State.NORMAL: {
        Step.RAISE: State.UNACKNOWLEDGED,
        Step.LATCH: State.LATCHED,
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
    State.LATCHED: {
        Step.RAISE: State.UNACKNOWLEDGED,
        Step.RESET: State.NORMAL,
        Step.SHELVE: State.SHELVED,
        Step.SUPPRESS: State.SUPPRESSED,
        Step.REMOVE: State.OUT_OF_SERVICE,
    },
    State.SHELVED: {Step.UNSHELVE: State.NORMAL, Step.REMOVE: State.OUT_OF_SERVICE},
    State.SUPPRESSED: {
        Step.UNSUPPRESS: State.NORMAL,
        Step.SHELVE: State.SHELVED,
        Step.REMOVE: State.OUT_OF_SERVICE,
    },
    State.OUT_OF_SERVICE: {Step.RETURN: State.NORMAL},
}
"""State -> what may happen -> the state after it. After CLEAR, ACKNOWLEDGE, UNSHELVE, UNSUPPRESS and RETURN,
what still holds is raised (or suppressed) anew, and what still latches latches, in the same breath."""

QUIET = frozenset({State.SHELVED, State.SUPPRESSED, State.OUT_OF_SERVICE})
"""No sound, and not among the alarms that stand; listed on demand."""

LATCHES = {
    "journal-set-aside": "the past lies in the file that was set aside until somebody saves it from there",
    "record-at-risk": "somebody must see why the record could not be written, and whether all of it is there",
    "product-astray": "what went astray still lies in the neighbour's container",
}
"""Kinds that latch, and why: when their condition ends, the harm is not undone. Of all others the end of the
condition is the end of the trouble, and latching would only teach people to press buttons."""

SPOKEN = {
    Step.ACKNOWLEDGE: "acknowledge",
    Step.RESET: "reset",
    Step.SHELVE: "shelve",
    Step.UNSHELVE: "unshelve",
    Step.REMOVE: "take out of service",
    Step.RETURN: "return to service",
}
"""The steps that are a person's to take, as one would ask for them. The others are the program's."""


class IllegalStep(ValueError):
    """A step that the table of alarm states does not allow; the message lists those it does."""


def after(state: State, step: Step) -> State:
    """The state after a legal step; IllegalStep otherwise."""
    try:
        return LEGAL[state][step]
    except KeyError:
        allowed = ", ".join(LEGAL[state])
        raise IllegalStep(f'an alarm that is {state} cannot be "{step}"; allowed: {allowed}') from None


def spoken(state: State) -> list[str]:
    """What a person may do with an alarm in that state, in the table's order."""
    return [SPOKEN[step] for step in LEGAL[state] if step in SPOKEN]
