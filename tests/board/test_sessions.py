"""How long a person may act, and how long look on."""

from __future__ import annotations

import pytest

from logger.board.roles import Role
from logger.board.sessions import (
    ACT_AGE_S,
    ACT_IDLE_S,
    HERE_AGE_S,
    HERE_IDLE_S,
    MOST_DEVICES,
    MOST_SESSIONS,
    SEE_AGE_S,
    SEE_IDLE_S,
    Sessions,
)


class Clock:
    now = 0.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def sessions(clock: Clock) -> Sessions:
    return Sessions(clock)


def role_of(sessions: Sessions, key: str, *, acts: bool = False) -> Role | None:
    session = sessions.get(key, acts=acts)
    return None if session is None else session.role


def test_the_page_here_ends_when_idle(sessions: Sessions, clock: Clock) -> None:
    key = sessions.open()
    clock.now = HERE_IDLE_S - 1
    assert sessions.get(key)
    clock.now += HERE_IDLE_S - 1
    assert sessions.get(key)
    clock.now += HERE_IDLE_S
    assert not sessions.get(key)


def test_the_page_here_ends_by_age_however_busy(sessions: Sessions, clock: Clock) -> None:
    key = sessions.open()
    alive = []
    while clock.now < HERE_AGE_S + HERE_IDLE_S:
        alive.append((clock.now < HERE_AGE_S, sessions.get(key) is not None))
        clock.now += HERE_IDLE_S / 2
    assert all(expected == held for expected, held in alive)


def test_an_operator_who_does_nothing_looks_on(sessions: Sessions, clock: Clock) -> None:
    """The open page alone is no act; figures and alarms stay, buttons ask for the code."""
    key = sessions.open(Role.OPERATOR, "operator", here=False)
    while clock.now < ACT_IDLE_S - 60:
        clock.now += 60
        assert role_of(sessions, key) is Role.OPERATOR
    clock.now += 61
    assert role_of(sessions, key) is Role.GUEST
    assert role_of(sessions, key, acts=True) is Role.GUEST, "to try to act does not bring it back"
    assert role_of(sessions, key) is Role.GUEST


def test_acting_keeps_an_operator_for_a_shift_and_no_longer(sessions: Sessions, clock: Clock) -> None:
    key = sessions.open(Role.OPERATOR, "operator", here=False)
    while clock.now < ACT_AGE_S - 3600:
        clock.now += 3600
        assert role_of(sessions, key, acts=clock.now < ACT_AGE_S) in {Role.OPERATOR}
    clock.now = ACT_AGE_S
    assert role_of(sessions, key, acts=True) is Role.GUEST


def test_looking_on_ends_without_a_page_open(sessions: Sessions, clock: Clock) -> None:
    key = sessions.open(Role.GUEST, "guest", here=False)
    clock.now = SEE_IDLE_S - 1
    assert role_of(sessions, key) is Role.GUEST
    clock.now += SEE_IDLE_S
    assert role_of(sessions, key) is None


def test_looking_on_ends_by_age(sessions: Sessions, clock: Clock) -> None:
    key = sessions.open(Role.GUEST, "guest", here=False)
    while clock.now < SEE_AGE_S - 3600:
        clock.now += 3600
        assert role_of(sessions, key) is Role.GUEST
    clock.now = SEE_AGE_S
    assert role_of(sessions, key) is None


def test_sessions_are_bounded(sessions: Sessions, clock: Clock) -> None:
    """The one longest unused gives way."""
    kept, *others = [sessions.open() for _ in range(MOST_SESSIONS)]
    clock.now = 1.0
    assert sessions.get(kept)
    sessions.open()
    assert sessions.get(kept)
    assert not sessions.get(others[0])


def test_keys_are_256_bits_and_differ(sessions: Sessions) -> None:
    keys = {sessions.open() for _ in range(100)}
    assert len(keys) == 100
    assert all(len(key) == 43 for key in keys)  # base64 of 32 bytes


def test_everybody_can_be_sent_away(sessions: Sessions) -> None:
    keys = [sessions.open(Role.GUEST, "guest", here=False) for _ in range(3)]
    device = sessions.know(None)
    assert sessions.close_all() == 3
    assert [sessions.get(key) for key in keys] == [None] * 3
    assert not sessions.knows(device)


def test_devices_are_bounded_and_the_newest_stay(sessions: Sessions) -> None:
    devices = [sessions.know(None) for _ in range(MOST_DEVICES)]
    assert sessions.know(devices[0]) == devices[0]
    sessions.know(None)
    assert sessions.knows(devices[0])
    assert not sessions.knows(devices[1])


def test_a_made_up_device_is_given_a_name_of_our_own(sessions: Sessions) -> None:
    assert sessions.know("chosen by somebody") != "chosen by somebody"
