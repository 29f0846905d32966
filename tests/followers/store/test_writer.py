"""What each answer of a store means. The classes are those of RFC 9110, sections 15 and 10.2.3."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from email.utils import format_datetime

import pytest

from logger.followers.store import writer
from logger.followers.store.writer import Refused, StoreWriter, Written
from logger.settings.secret import Secret
from logger.settings.values import StoreSettings
from tests.followers.store.stub import DROP, DROP_AFTER, GARBAGE, HANG, NO_TEXT, Say, StoreStub
from tests.program import until

TOKEN = "a-very-secret-token"
LINE = "reading,bay=b,station=none kg=1.5,withdrawn=0i 1000000000"


@pytest.fixture
def store() -> Iterator[StoreStub]:
    with StoreStub() as stub:
        yield stub


@pytest.fixture
def to(store: StoreStub) -> Iterator[StoreWriter]:
    made = StoreWriter(settings(store), timeout_s=0.5)
    yield made
    made.close()


def settings(store: StoreStub) -> StoreSettings:
    return StoreSettings(store.url, "works", "bay", Secret(TOKEN))


def refused(outcome: object) -> Refused:
    assert isinstance(outcome, Refused), outcome
    assert TOKEN not in repr(outcome)
    assert outcome.what
    assert outcome.do
    return outcome


def test_what_is_written_arrives_as_it_is(store: StoreStub, to: StoreWriter) -> None:
    """In nanoseconds, packed, to the bucket, with the token."""
    outcome = to.write(LINE)
    assert isinstance(outcome, Written)
    assert outcome.size == len(LINE)
    assert store.held == {("reading,bay=b,station=none", 10**9): {"kg": "1.5", "withdrawn": "0i"}}
    assert store.path == "/api/v2/write?org=works&bucket=bay&precision=ns"
    assert store.headers["Authorization"] == f"Token {TOKEN}"
    assert store.headers["Content-Encoding"] == "gzip"


@pytest.mark.parametrize(
    ("status", "kind"),
    [
        (200, "paused"),
        (201, "paused"),
        (301, "paused"),
        (302, "paused"),
        (307, "paused"),
        (308, "paused"),
        (400, "bad"),
        (401, "paused"),
        (403, "paused"),
        (404, "paused"),
        (405, "paused"),
        (408, "away"),
        (413, "too large"),
        (418, "away"),
        (422, "bad"),
        (429, "later"),
        (500, "away"),
        (502, "away"),
        (503, "later"),
        (504, "away"),
    ],
)
def test_each_status_has_its_meaning(store: StoreStub, to: StoreWriter, status: int, kind: str) -> None:
    """And a store that sends us elsewhere is not followed there with the token."""
    words = f'{{"message":"no, {TOKEN}\\n sorry"}}'
    store.answers.append(Say(status, words, (("Location", f"{store.url}/elsewhere"),)))
    outcome = refused(to.write(LINE))
    assert (outcome.kind, outcome.status) == (kind, status)
    assert store.seen == 1
    assert not store.held
    assert outcome.said in ("no, ******** sorry", words.replace(TOKEN, "********"))


@pytest.mark.parametrize("how", [HANG, DROP, DROP_AFTER, GARBAGE, NO_TEXT])
def test_no_answer_is_away(store: StoreStub, to: StoreWriter, how: str) -> None:
    """Whatever the store did with the lines; the next write goes through."""
    store.answers.append(how)
    outcome = refused(to.write(LINE))
    assert (outcome.kind, outcome.status) == ("away", 0)
    assert bool(store.held) == (how == DROP_AFTER)
    until(lambda: isinstance(to.write(LINE), Written), "the next write")


def test_nobody_there_is_away(store: StoreStub, to: StoreWriter) -> None:
    """Nothing listens."""
    store.stop()
    assert refused(to.write(LINE)).kind == "away"


def test_an_unknown_name_is_away() -> None:
    """RFC 2606: .invalid never resolves."""
    to = StoreWriter(StoreSettings("http://store.invalid:8086"), timeout_s=2.0)
    outcome = refused(to.write(LINE))
    to.close()
    assert outcome.kind == "away"
    assert "store.invalid" in outcome.what


def test_a_store_without_tls_where_it_is_told_is_away(store: StoreStub) -> None:
    """An address with https and a store that speaks plainly."""
    to = StoreWriter(replace(settings(store), url=store.url.replace("http", "https")), timeout_s=1.0)
    outcome = refused(to.write(LINE))
    to.close()
    assert outcome.kind == "away"


def test_a_frozen_machine_costs_no_more_than_the_time_out() -> None:
    """It takes the connection and says nothing."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        to = StoreWriter(StoreSettings(f"http://127.0.0.1:{server.getsockname()[1]}"), timeout_s=0.3)
        begin_s = time.monotonic()
        assert refused(to.write(LINE)).kind == "away"
        assert time.monotonic() - begin_s < 2.0
        to.close()


@pytest.mark.parametrize(
    ("told", "least", "most"),
    [
        ("7", 7, 7),
        (" 7 ", 7, 7),
        ("0", 0.5, 0.5),
        ("99999", 600, 600),
        ("9" * 400, 5, 600),
        ("Thu, 01 Jan 1970 00:00:00 GMT", 0.5, 0.5),
        ("Fri, 31 Dec 9999 23:59:59 GMT", 600, 600),
        ("", 5, 5),
        ("soon", 5, 5),
        ("-3", 5, 5),
        ("nan", 5, 5),
        ("1.5", 5, 5),
    ],
)
def test_retry_after(store: StoreStub, to: StoreWriter, told: str, least: float, most: float) -> None:
    """RFC 9110 section 10.2.3: seconds or a date; nonsense and too much patience are bounded."""
    store.answers.append(Say(503, "", (("Retry-After", told),)))
    assert least <= refused(to.write(LINE)).retry_s <= most


def test_a_request_can_be_interrupted(store: StoreStub) -> None:
    """So that the daemon stops at once while the store hangs."""
    to = StoreWriter(settings(store), timeout_s=20.0)
    store.answers.append(HANG)
    outcomes: list[object] = []
    thread = threading.Thread(target=lambda: outcomes.append(to.write(LINE)))
    thread.start()
    until(lambda: store.seen, "the request")
    to.interrupt()
    thread.join(2.0)
    to.close()
    assert refused(outcomes[0]).kind == "away"


def test_retry_after_a_date(store: StoreStub, to: StoreWriter) -> None:
    """RFC 9110 section 5.6.7: IMF-fixdate."""
    then = format_datetime(datetime.fromtimestamp(int(time.time()) + 30, UTC), usegmt=True)
    store.answers.append(Say(429, "", (("Retry-After", then),)))
    assert 27 <= refused(to.write(LINE)).retry_s <= 31


def test_a_new_connection_is_told_of(store: StoreStub, to: StoreWriter) -> None:
    """A store that was started anew may have forgotten; the first connection of all is none."""
    assert [_fresh(to), _fresh(to)] == [False, False]
    store.stop()
    store.start()
    assert [_fresh(to), _fresh(to)] == [True, False]


def test_a_connection_that_ends_as_announced_is_no_sign(store: StoreStub, to: StoreWriter) -> None:
    """Servers end connections after a number of requests, or after a time, and say so."""
    assert not _fresh(to)
    store.answers.append(Say(204, "", (("Connection", "close"),)))
    assert [_fresh(to), _fresh(to)] == [False, False]
    assert store.connections == 2


def test_a_store_that_keeps_no_connection_is_no_sign_for_long(store: StoreStub, to: StoreWriter) -> None:
    """Else all would be sent again for ever."""
    store.close_each = True
    signs = []
    for _ in range(8):
        signs.append(_fresh(to))
        time.sleep(0.02)  # the end of the connection travels
    assert sum(signs) <= writer.NO_SIGN - 1
    assert not any(signs[writer.NO_SIGN :])


def _fresh(to: StoreWriter) -> bool:
    outcome = to.write(LINE)
    assert isinstance(outcome, Written)
    return outcome.reconnected


def test_a_delete_says_when_a_store_can_not(store: StoreStub, to: StoreWriter) -> None:
    """Then what is wrong is marked instead."""
    to.write(LINE)
    where = (
        "1970-01-01T00:00:01.000000000Z",
        "1970-01-01T00:00:01.000000000Z",
        '_measurement="reading" AND bay="b"',
    )
    store.can_delete = False
    assert refused(to.delete(*where)).refuses_deletes
    store.can_delete = True
    assert store.held
    assert isinstance(to.delete(*where), Written)
    assert not store.held
