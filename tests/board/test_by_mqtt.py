"""Actions by MQTT without a broker: what is answered where the daemon is busy, fails, or is told too much."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from typing import Any

import pytest

from logger.board.by_mqtt import MOST_WAITING, ActionsByMqtt
from logger.board.door import MOST_BODY
from logger.ports.session import Message
from tests.board.fake_desk import FakeDesk
from tests.mosquitto import until

NOTE = b'{"action": "note", "text": "x"}'


class Paper:
    """A broker that only notes down what it is told to send."""

    def __init__(self) -> None:
        self.sent: list[tuple[str, dict[str, Any], bytes]] = []
        self.members: list[object] = []

    def join(self, member: object) -> None:
        self.members.append(member)

    def leave(self, member: object, timeout_s: float = 2.0) -> None:
        self.members.remove(member)

    def publish(self, topic: str, payload: str, correlation: bytes = b"") -> bool:
        self.sent.append((topic, json.loads(payload), correlation))
        return len(self.sent) < 1000


@pytest.fixture
def paper() -> Paper:
    return Paper()


@pytest.fixture
def desk() -> FakeDesk:
    return FakeDesk({"seq": 1})


@pytest.fixture
def door(desk: FakeDesk, paper: Paper) -> Iterator[ActionsByMqtt]:
    made = ActionsByMqtt(desk, paper, "tallydeck/bay", ["bay/a"])
    made.start()
    yield made
    if paper.members:
        made.stop()


def act(payload: bytes = NOTE, answer_to: str = "", mark: bytes = b"") -> Message:
    return Message("tallydeck/bay/act", payload, False, answer_to, mark)


def test_an_action_is_handed_to_the_desk_and_answered_where_it_was_asked(
    door: ActionsByMqtt, desk: FakeDesk, paper: Paper
) -> None:
    door.message(act(answer_to="reply/here", mark=b"7"))
    until(lambda: paper.sent, "the answer")
    ((topic, body, mark),) = paper.sent
    assert (topic, mark, body["accepted"], body["seq"]) == ("reply/here", b"7", True, 7)
    assert [who for _, who in desk.submitted] == ["mqtt"]


@pytest.mark.parametrize(
    "place", ["", "tallydeck/bay/act", "bay/a", "$SYS/x", "a/+/b", "a/#", "a\x00b", "x" * 300]
)
def test_an_answer_goes_to_the_common_topic_where_the_told_one_will_not_do(
    door: ActionsByMqtt, paper: Paper, place: str
) -> None:
    door.message(act(answer_to=place))
    until(lambda: paper.sent, "the answer")
    assert paper.sent[0][0] == "tallydeck/bay/answer"


def test_more_than_an_action_can_hold_is_refused(door: ActionsByMqtt, desk: FakeDesk, paper: Paper) -> None:
    door.message(act(NOTE + b" " * MOST_BODY))
    until(lambda: paper.sent, "the answer")
    assert (paper.sent[0][1]["status"], paper.sent[0][1]["code"]) == (413, "too-long")
    assert desk.submitted == []


def test_a_desk_that_fails_is_answered_and_the_next_action_is_taken(
    door: ActionsByMqtt, desk: FakeDesk, paper: Paper, caplog: pytest.LogCaptureFixture
) -> None:
    desk.answer = ZeroDivisionError("on purpose")
    door.message(act(b'{"action": "note", "text": "x", "id": "n-1"}'))
    until(lambda: paper.sent, "the answer")
    assert (paper.sent[0][1]["code"], paper.sent[0][1]["id"]) == ("failed", "n-1")
    assert "on purpose" in caplog.text
    desk.answer = TimeoutError()
    door.message(act())
    until(lambda: len(paper.sent) == 2, "the second answer")
    assert paper.sent[1][1]["code"] == "no-answer-in-time"


def test_a_desk_that_is_slow_never_holds_the_connection_and_too_much_is_turned_away(
    door: ActionsByMqtt, desk: FakeDesk, paper: Paper
) -> None:
    go_on, begun = threading.Event(), threading.Event()

    def slow(action: dict[str, Any]) -> None:
        begun.set()
        go_on.wait(10.0)

    desk.on_submit = slow
    door.message(act())
    assert begun.wait(5.0)
    for _ in range(MOST_WAITING + 3):  # each returns at once, though the desk stands still
        door.message(act())
    assert [body["code"] for _, body, _ in paper.sent] == ["too-many-actions"] * 3
    go_on.set()
    until(lambda: len(paper.sent) == MOST_WAITING + 4, "an answer to each")


def test_a_door_that_was_closed_takes_nothing_more(door: ActionsByMqtt, desk: FakeDesk, paper: Paper) -> None:
    door.stop()
    door.message(act())
    assert (paper.members, paper.sent, desk.submitted) == ([], [], [])


def test_the_state_of_its_ear_is_told_once_a_change(
    door: ActionsByMqtt, caplog: pytest.LogCaptureFixture
) -> None:
    assert not door.listening
    for why in ("the broker is off", "the broker is off", ""):
        door.linked(why)
    assert door.listening
    assert caplog.text.count("the broker is off") == 1
