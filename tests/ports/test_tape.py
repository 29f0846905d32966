"""Recordings: written and read again to the byte, and played on a real pty to the byte."""

from __future__ import annotations

import io
import os
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.ports.ear import Ear
from logger.ports.playing import Player
from logger.ports.tape import Piece, TapeError, TapeWriter, parse_tape, read_tape
from logger.ports.wire import Settings

from .cable import await_true

HEAD = '{"tallydeck-wire": 1, "port": "/dev/x", "baud": 9600, "format": "8N1", "began": ""}'
PIECES = st.lists(
    st.tuples(st.integers(0, 10**6), st.binary(min_size=1, max_size=60), st.booleans()), max_size=12
).map(lambda rows: [Piece(t, data, out) for (t, data, out) in sorted(rows, key=lambda row: row[0])])
NASTY = b"\x00\x03\x04\x11\x13\x1a\x1c\x7f\xff\xff\x00\r\r\n\n\x80" + bytes(range(256))
"""Interrupt, end of file, flow control, suspend, quit and rub-out, which a terminal not made raw eats."""


@settings(deadline=None)
@given(PIECES)
def test_what_is_written_is_read_again(pieces: list[Piece]) -> None:
    file = io.StringIO()
    writer = TapeWriter(file, "/dev/x", 4800, "7E1", "2026-03-02T06:10:00Z")
    for piece in pieces:
        writer.put(piece)
    tape = parse_tape(file.getvalue().split("\n"), "x")
    assert (tape.port, tape.baud, tape.framing, list(tape.pieces)) == ("/dev/x", 4800, "7E1", pieces)


def test_a_last_line_that_was_cut_off_is_left_out_and_told() -> None:
    tape = parse_tape([HEAD, '{"t_ns": 1, "in": "41"}', '{"t_ns": 2, "in": "4'], "x")
    assert [piece.data for piece in tape.pieces] == [b"A"]
    assert "cut off" in tape.note


@pytest.mark.parametrize(
    ("rows", "says"),
    [
        ([], "empty"),
        (["nonsense"], "line 1 is not JSON"),
        (["[]"], "line 1 is no JSON object"),
        (['{"a": 1}'], "line 1 is not the head"),
        ([HEAD, '{"t_ns": 1, "in": "4"}', '{"t_ns": 2, "in": "41"}'], "line 2: these are not bytes"),
        ([HEAD, '{"t_ns": -1, "in": "41"}', '{"t_ns": 2, "in": "41"}'], "line 2: expected"),
        ([HEAD, '{"t_ns": 1}', '{"t_ns": 2, "in": "41"}'], "line 2: expected"),
        ([HEAD, '{"t_ns": 5, "in": "41"}', '{"t_ns": 2, "in": "41"}', HEAD], "line 3: its time lies before"),
    ],
)
def test_what_is_no_recording_is_told_with_its_place(rows: list[str], says: str) -> None:
    with pytest.raises(TapeError, match=says):
        parse_tape(rows, "x")


def test_a_recording_is_read_from_its_file(tmp_path: Path) -> None:
    file = tmp_path / "tape"
    file.write_text(HEAD + '\n{"t_ns": 1, "in": "41"}\n')
    assert read_tape(file).pieces == (Piece(1, b"A"),)


@contextmanager
def playing(player: Player) -> Iterator[threading.Event]:
    enough = threading.Event()
    thread = threading.Thread(target=player.play, args=(enough.is_set,), daemon=True)
    thread.start()
    try:
        yield enough
    finally:
        enough.set()
        thread.join(5)
        player.close()
        assert not thread.is_alive()


def heard(path: str, size: int) -> bytes:
    """What comes from a port, until it is as much as expected."""
    ear = Ear(path, Settings())
    got = bytearray()

    def enough() -> bool:
        got.extend(ear.take(0.02))
        return len(got) >= size

    try:
        await_true(enough, f"{size} bytes, but {len(got)}")
    finally:
        ear.close()
    return bytes(got)


@settings(max_examples=8, deadline=None)
@given(st.lists(st.binary(min_size=1, max_size=200), min_size=1, max_size=5))
def test_any_bytes_are_played_to_the_byte(parts: list[bytes]) -> None:
    data = b"".join(parts)
    player = Player([Piece(number * 1000, part) for number, part in enumerate(parts)], speed=1000)
    with playing(player):
        assert heard(player.path, len(data)) == data


def test_what_a_terminal_would_eat_is_played_to_the_byte() -> None:
    player = Player([Piece(0, NASTY * 40)])
    with playing(player):
        assert heard(player.path, len(NASTY) * 40) == NASTY * 40


def test_requests_are_answered_in_the_recorded_order_and_over_again() -> None:
    rows = [
        (0, b"W", True),
        (5, b"one", False),
        (10, b"W", True),
        (12, b"two", False),
        (20, b"Q", True),
        (21, b"q", False),
    ]
    player = Player([Piece(t * 10**6, data, out) for t, data, out in rows])
    with playing(player):
        ear = Ear(player.path, Settings())
        answers = []
        for request in (b"W", b"W", b"Q", b"W"):
            ear.write(request)
            answers.append(ear.take(2.0))
        ear.close()
    assert answers == [b"one", b"two", b"q", b"one"]


def test_bytes_nobody_recorded_as_a_request_are_not_answered() -> None:
    player = Player([Piece(0, b"W", True), Piece(1, b"one")])
    with playing(player):
        ear = Ear(player.path, Settings())
        ear.write(b"X")
        assert ear.take(0.3) == b""
        ear.close()


def test_a_port_opened_again_goes_on_with_the_recording() -> None:
    player = Player([Piece(0, b"A"), Piece(10**6, b"B" * 300_000)])
    with playing(player):
        first = heard(player.path, 1)
        assert first.startswith(b"A")
        assert set(heard(player.path, 1000)) == {ord("B")}


def test_it_ends_after_the_last_byte() -> None:
    player = Player([Piece(0, b"A")])
    thread = threading.Thread(target=player.play, args=(lambda: False,), daemon=True)
    thread.start()
    assert heard(player.path, 1) == b"A"
    thread.join(5)
    player.close()
    assert not thread.is_alive()


def test_the_link_has_a_fixed_name_and_goes_at_the_end(tmp_path: Path) -> None:
    link = tmp_path / "scale"
    for _ in range(2):
        player = Player([Piece(0, b"A")], at=link)
        assert os.path.realpath(link).startswith("/dev/pts/")
        player.close()
    assert not link.is_symlink()


def test_a_file_that_stands_there_is_not_replaced_by_a_link(tmp_path: Path) -> None:
    there = tmp_path / "mine"
    there.write_text("x")
    with pytest.raises(FileExistsError):
        Player([], at=there)
    assert there.read_text() == "x"
