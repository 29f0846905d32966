"""The stream of snapshots (server-sent events, WHATWG HTML): newest only, bounded, prompt."""

from __future__ import annotations

import asyncio
import json
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import httpx
import pytest

from logger.board.hub import Hub, TooManyViewersError
from tests.board.fake_desk import TOKEN, FakeDesk, served
from tests.board.snapshots import STOPPED, calm

AUTH = {"Authorization": f"Bearer {TOKEN}"}
Event = dict[str, Any]


@contextmanager
def events(url: str, **headers: str) -> Iterator[Iterator[Event]]:
    """The events of one viewer as they come, with the moment each came."""
    with (
        httpx.Client(trust_env=False, timeout=10) as client,
        client.stream("GET", f"{url}api/v1/events", headers=AUTH | headers) as stream,
    ):
        assert stream.status_code == 200
        assert stream.headers["content-type"].startswith("text/event-stream")
        assert stream.headers["x-accel-buffering"] == "no"

        def parsed() -> Iterator[Event]:
            event: Event = {}
            for line in stream.iter_lines():
                if line == "" and event:
                    yield event | {"came": time.monotonic(), "data": json.loads(event["data"])}
                    event = {}
                elif line and not line.startswith(":"):
                    name, _, value = line.partition(": ")
                    event[name] = value

        yield parsed()


def next_of(stream: Iterator[Event], kind: str) -> Event:
    return next(event for event in stream if event["event"] == kind)


def test_the_newest_comes_first(own_desk: FakeDesk) -> None:
    with served(own_desk) as board, events(board.url) as stream:
        first = next(stream)
        assert (first["event"], first["id"]) == ("state", "100")
        assert first["data"] == own_desk.snapshot()


def test_a_change_comes_with_its_seq(own_desk: FakeDesk) -> None:
    with served(own_desk) as board, events(board.url) as stream:
        next(stream)
        own_desk.show(bay="changed")
        second = next_of(stream, "state")
        assert (second["id"], second["data"]["bay"]) == ("101", "changed")


def test_pulses_tell_the_age(own_desk: FakeDesk) -> None:
    """A quiet daemon says each second that it is there, and how old its figures are."""
    with served(own_desk) as board, events(board.url) as stream:
        ages = [next_of(stream, "pulse") for _ in range(3)]
        assert ages[2]["data"]["age_s"] > ages[1]["data"]["age_s"] > ages[0]["data"]["age_s"]
        assert ages[2]["came"] - ages[0]["came"] == pytest.approx(2.0, abs=0.7)


@pytest.mark.full
def test_a_comment_keeps_the_line_open(own_desk: FakeDesk) -> None:
    """Each 15 s a comment, which clients skip, so that what lies between does not drop a quiet line."""
    with (
        served(own_desk) as board,
        httpx.Client(trust_env=False, timeout=20) as client,
        client.stream("GET", f"{board.url}api/v1/events", headers=AUTH) as stream,
    ):
        began = time.monotonic()
        next(line for line in stream.iter_lines() if line.startswith(":"))
        assert time.monotonic() - began == pytest.approx(15.0, abs=2.0)


def test_four_a_second_and_the_last_one_counts(own_desk: FakeDesk) -> None:
    """Of 200 changes within a second a viewer sees a few, in order, and surely the last."""
    with served(own_desk) as board, events(board.url) as stream:
        next(stream)

        def hurry() -> None:
            for _ in range(200):
                own_desk.show()
                time.sleep(0.005)

        thread = threading.Thread(target=hurry)
        thread.start()
        seen = [next_of(stream, "state")]
        while seen[-1]["id"] != "300":
            seen.append(next_of(stream, "state"))
        thread.join()
        took_s = seen[-1]["came"] - seen[0]["came"]
        assert [int(e["id"]) for e in seen] == sorted({int(e["id"]) for e in seen})
        assert 2 <= len(seen) <= 4 * took_s + 2


def test_an_alarm_does_not_wait_its_turn(own_desk: FakeDesk) -> None:
    """Right after another snapshot a changed alarm goes out at once, well under the quarter second."""
    with served(own_desk) as board, events(board.url) as stream:
        next(stream)
        waits = []
        for number in range(5):
            own_desk.show()
            next_of(stream, "state")
            began = time.monotonic()
            own_desk.show(alarms=[{**STOPPED, "id": f"a{number}"}])
            waits.append(next_of(stream, "state")["came"] - began)
        assert sorted(waits)[2] < 0.1


def test_a_viewer_that_has_the_newest_waits_for_the_next(own_desk: FakeDesk) -> None:
    """Last-Event-ID: what was seen is not sent again."""
    with served(own_desk) as board, events(board.url, **{"Last-Event-ID": "100"}) as stream:
        assert next(stream)["event"] == "pulse"
        own_desk.show()
        assert next_of(stream, "state")["id"] == "101"


def test_an_older_or_odd_last_event_id_gets_the_newest(own_desk: FakeDesk) -> None:
    with served(own_desk) as board:
        for odd in ("7", "no number", "99999999999999999999"):
            with events(board.url, **{"Last-Event-ID": odd}) as stream:
                assert next(stream)["id"] == "100"


def test_viewers_are_bounded_and_leaving_makes_room(own_desk: FakeDesk) -> None:
    with served(own_desk, most_viewers=1) as board:
        with events(board.url) as stream:
            next(stream)
            full = httpx.get(f"{board.url}api/v1/events", headers=AUTH, trust_env=False)
            assert full.status_code == 503
            assert full.json()["code"] == "too-many-viewers"
            assert full.headers["retry-after"] == "5"
        status, until = 503, time.monotonic() + 10
        while status == 503 and time.monotonic() < until:
            with (
                httpx.Client(trust_env=False) as client,
                client.stream("GET", f"{board.url}api/v1/events", headers=AUTH) as again,
            ):
                status = again.status_code
        assert status == 200


def test_a_slow_viewer_misses_snapshots_not_memory() -> None:
    """A stream that is not read holds one snapshot, whatever was published meanwhile."""

    async def scene() -> list[str]:
        desk = FakeDesk(calm())
        hub = Hub(desk, asyncio.get_running_loop(), interval_s=0.0)
        pump = asyncio.create_task(hub.pump())
        await asyncio.sleep(0)
        stream = hub.join()
        seen = [(await anext(stream))["id"]]
        for _ in range(50):
            desk.show()
            hub.wake()
            await asyncio.sleep(0.001)
        seen.append((await anext(stream))["id"])
        hub.close()
        seen += [event["id"] async for event in stream]
        pump.cancel()
        return seen

    assert asyncio.run(scene()) == ["100", "150"]


def test_joining_a_full_hub_raises() -> None:
    async def scene() -> int:
        hub = Hub(FakeDesk(calm()), asyncio.get_running_loop(), most=1)
        hub.join()
        with pytest.raises(TooManyViewersError):
            hub.join()
        return hub.viewers

    assert asyncio.run(scene()) == 1


def test_waking_a_closed_board_is_harmless() -> None:
    """The daemon's loop may still commit while the board is already gone."""

    async def scene() -> Hub:
        return Hub(FakeDesk(calm()), asyncio.get_running_loop())

    hub = asyncio.run(scene())
    hub.wake()
    assert hub.viewers == 0
