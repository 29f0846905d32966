"""Freezing and thawing: values of the core come back, code never."""

from __future__ import annotations

import os
import pickle
from array import array
from collections import Counter, OrderedDict, defaultdict, deque
from datetime import UTC, datetime, timedelta, timezone
from fractions import Fraction
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from pydantic import BaseModel

from logger.core.actions import BODY, Note, body_json
from logger.core.description import Bay, Channel, Container, ContainerKind, Feed, FeedKind, Outlet, Station
from logger.core.entries import Action, Circumstance
from logger.core.walltime import WallTime
from logger.journal import checkpoint
from logger.journal.checkpoint import freeze, thaw
from logger.journal.journal import JournalError
from tests.journal.journal_samples import records

BAY = Bay(
    "foundry bay",
    (
        Station(
            "table",
            Feed(FeedKind.TUB, "feed"),
            (Outlet("concentrate", "c", Container(ContainerKind.DRAINS, 1.5)),),
        ),
    ),
    (Channel("feed"), Channel("c")),
)


@pytest.mark.parametrize(
    "value",
    [
        records(1, 40),
        BAY,
        {"a": [1, 2.5, None, True, "ü", b"x", (1, 2)], 3: {4, 5}, "f": frozenset({1})},
        deque([1, 2, 3], maxlen=5),
        array("q", [1, -2, 2**62]),
        array("d", [0.1, -0.0]),
        Fraction(45359237, 10**8),
        bytearray(b"abc"),
        OrderedDict(b=1, a=2),
        Counter("abca"),
        ContainerKind.BRIM_FULL,
        [2**200, float("inf")],
    ],
    ids=lambda value: type(value).__name__,
)
def test_values_come_back_equal_and_of_their_own_type(value: Any) -> None:
    thawed = thaw(freeze(value))
    assert thawed == value
    assert type(thawed) is type(value)


def test_a_bounded_queue_stays_bounded_and_shared_things_stay_shared() -> None:
    """What two parts of the state held in common, they hold in common again."""
    queue: deque[int] = deque([1], maxlen=2)
    first, second = thaw(freeze([queue, queue]))
    assert first is second
    assert first.maxlen == 2


def test_a_default_stays_a_default() -> None:
    thawed = thaw(freeze(defaultdict(list, a=[1])))
    assert thawed["new"] == []
    assert thawed["a"] == [1]


@pytest.mark.parametrize(
    "time",
    [
        None,
        "2026-03-29T01:59:59.123456+01:00",
        datetime(2026, 3, 29, 4, tzinfo=UTC),
        datetime(2026, 3, 29, 4, tzinfo=ZoneInfo("Europe/Vienna")),
        datetime(2026, 3, 29, 4, tzinfo=timezone(timedelta(hours=-3, minutes=-30))),
    ],
)
def test_actions_thaw_with_whatever_zone_their_time_had(time: Any) -> None:
    """The body is equal, is written equally, and is still frozen."""
    body = BODY.validate_python({"action": "settings", "values": {"tilt": "3"}, "time": time})
    thawed = thaw(freeze(Action(5, body, "id", "who", 9)))
    assert thawed == Action(5, body, "id", "who", 9)
    assert body_json(thawed.body) == body_json(body)
    with pytest.raises(ValueError, match="frozen"):
        thawed.body.who = "another"


def test_a_state_thaws_and_folds_on_identically() -> None:
    """WallTime stands for every class of the fold."""
    state = WallTime()
    state.apply(Circumstance(100, "boot", "", {"boot": "a", "offset_ns": 90}))
    thawed = thaw(freeze(state))
    for each in (state, thawed):
        each.apply(Circumstance(200, "clock", "", {"boot": "a", "step_ns": 7}))
    assert vars(thawed) == vars(state)
    assert thawed.resolve(150, "a") == 157


class Evil:
    """Pickles as a call of its choice."""

    def __init__(self, *call: Any) -> None:
        self.call = call

    def __reduce__(self) -> Any:
        return self.call[0], tuple(self.call[1:])


class Outsider(BaseModel):
    a: int = 1


@pytest.mark.parametrize(
    "thing",
    [
        Evil(os.system, "true"),
        Evil(eval, "1"),
        Evil(getattr, Note, "model_validate"),
        Evil(__import__, "os"),
        Evil(checkpoint.freeze, 1),
        Evil(pickle.loads, b""),
        Outsider(),
        len,
        os,
        BODY.validate_python,
        complex(1, 2),
    ],
    ids=[
        "os.system",
        "eval",
        "getattr",
        "import",
        "freeze",
        "loads",
        "model",
        "len",
        "module",
        "validator",
        "complex",
    ],
)
def test_nothing_but_values_of_the_core_is_admitted(thing: Any) -> None:
    """Functions, other modules' classes and ways around are refused; whether at freezing or at thawing."""
    with pytest.raises(JournalError) as caught:
        thaw(freeze([thing]))
    assert caught.value.kind == "checkpoint"


@pytest.mark.parametrize(
    ("module", "name"),
    [
        ("logger.core.actions", "BaseModel"),  # imported there, not made there
        ("logger.core.actions", "body_json"),  # a function
        ("logger.core.actions", "BODY.validate_python"),  # by a path through an object
        ("logger.core.units", "re.compile"),
        ("logger.core", "entries"),  # a module
        ("logger.core_of_another", "Thing"),
        ("logger.journal.journal", "Journal"),
        ("logger.core.no_such_module", "Thing"),
    ],
)
def test_the_core_is_no_way_in_to_what_it_imports(module: str, name: str) -> None:
    """A hand-made pickle that names it is refused."""
    body = b"\x80\x04" + pickle.SHORT_BINUNICODE + bytes([len(module)]) + module.encode()
    body += pickle.SHORT_BINUNICODE + bytes([len(name)]) + name.encode() + pickle.STACK_GLOBAL + pickle.STOP
    blob = checkpoint.digest_of(body) + body
    with pytest.raises(JournalError) as caught:
        thaw(blob)
    assert caught.value.kind == "checkpoint"


def test_changed_or_missing_bytes_are_noticed() -> None:
    """Any single changed byte, and any end cut off."""
    blob = freeze(records(1, 20))
    for place in range(0, len(blob), 17):
        spoiled = bytearray(blob)
        spoiled[place] ^= 1
        with pytest.raises(JournalError, match="bytes have changed"):
            thaw(bytes(spoiled))
        with pytest.raises(JournalError, match="bytes have changed"):
            thaw(blob[:place])


def test_the_prefix_can_be_narrowed() -> None:
    blob = freeze(BAY)
    assert thaw(blob, "logger.core.description") == BAY
    with pytest.raises(JournalError, match=r"no value of logger\.core\.track"):
        thaw(blob, "logger.core.track")
