"""What is typed becomes the action that was meant."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from logger.board.desk import Answer
from tests.board.fake_desk import FakeDesk
from tests.commands.conftest import Run, words


@pytest.mark.parametrize(
    ("typed", "action"),
    [
        (["run", "start", "--time", "06:10"], {"action": "start-run", "time": "2026-03-02T06:10:00+01:00"}),
        (
            [
                "run",
                "start",
                "--time",
                "06:10",
                "--until",
                "2026-03-02 07:30",
                "--feed-from",
                "run-1/middlings",
            ],
            {
                "action": "start-run",
                "time": "2026-03-02T06:10:00+01:00",
                "until": "2026-03-02T07:30:00+01:00",
                "feed_from": "run-1/middlings",
            },
        ),
        (
            ["run", "end", "--run", "run-2", "--hold-up", "400 g"],
            {"action": "end-run", "run": "run-2", "hold_up": 0.4},
        ),
        (["run", "end", "--hold-up", "wait"], {"action": "end-run", "hold_up": "wait"}),
        (
            ["say", "amend", "41", "time=06:10", "gross=412.5 kg", "note=", 'values={"tilt": "5°"}'],
            {
                "action": "amend",
                "entry": 41,
                "change": {
                    "time": "2026-03-02T06:10:00+01:00",
                    "gross": "412.5 kg",
                    "note": None,
                    "values": {"tilt": "5°"},
                },
            },
        ),
        (
            ["say", "withdraw", "mark-3", "--why", "a slip"],
            {"action": "withdraw", "entry": "mark-3", "why": "a slip"},
        ),
        (["say", "ack"], {"action": "acknowledge", "alarm": "all"}),
    ],
)
def test_words_become_an_action(typed: list[str], action: dict[str, Any], run: Run, desk: FakeDesk) -> None:
    done = run(*typed)
    assert done.exit_code == 0, done.stderr
    assert words(desk) == [action]


def test_a_local_time_is_told_back(run: Run) -> None:
    assert "time is 2026-03-02 06:10:00 (Europe/Vienna)" in run("say", "mark", "--time", "06:10").stderr


@pytest.mark.parametrize(
    "command", [["run", "end"], ["say", "note", "x"], ["lot", "open", "L"], ["say", "ack"]]
)
def test_a_time_that_was_twice_is_refused_everywhere(command: list[str], run: Run, desk: FakeDesk) -> None:
    """Both moments are named, and nothing is sent."""
    done = run(*command, "--time", "2025-10-26 02:30")
    assert done.exit_code == 65
    assert "say 2025-10-26T02:30:00+02:00 or 2025-10-26T02:30:00+01:00" in done.stderr
    assert desk.submitted == []


def test_a_refusal_tells_its_times_by_the_bays_clock(run: Run, desk: FakeDesk) -> None:
    desk.answer = Answer(False, "the last run ended at 2026-03-02T05:10:00.000Z; start after that")
    done = run("run", "start")
    assert done.exit_code == 65
    assert "ended at 2026-03-02 06:10:00; start" in done.stderr


def test_every_fault_is_listed(run: Run, desk: FakeDesk) -> None:
    """Each on a line with its place, what was found and what is allowed."""
    done = run("say", "sample", "concentrate", "", "--mass", "5 stone", "--id", "x" * 90)
    assert done.exit_code == 65
    lines = [line.strip() for line in done.stderr.splitlines()[1:]]
    assert lines == [
        'id: found "' + "x" * 58 + "…; allowed: at most 80 characters; make it shorter",
        'sample: "sample" is missing: its number or name, as on the bag; give "sample"',
        'mass: "5 stone": unit "stone" is not known here; '
        'use one of mg, g, kg, t, lb, oz, ozt, ton, e.g. "5 g"',
    ]
    assert desk.submitted == []


def test_photographs_are_named_by_their_whole_path(run: Run, desk: FakeDesk, tmp_path: Path) -> None:
    (tmp_path / "a b.jpg").write_bytes(b"x")
    assert run("say", "note", "x", "--photo", str(tmp_path / "a b.jpg")).exit_code == 0
    assert words(desk)[0]["photographs"] == [str(tmp_path / "a b.jpg")]


def test_a_photograph_that_is_missing_is_named(run: Run, desk: FakeDesk) -> None:
    done = run("lot", "open", "L", "--photo", "gone.jpg")
    assert (done.exit_code, "gone.jpg: there is no such file" in done.stderr) == (64, True)
    assert desk.submitted == []


def test_a_mark_tells_its_name(run: Run, desk: FakeDesk) -> None:
    desk.answer = Answer(True, seq=8, data={"marked": {"mark": "mark-3"}})
    assert run("say", "mark").stdout == "mark-3\n"


def test_who_and_id_go_with_every_action(run: Run, desk: FakeDesk) -> None:
    run("say", "decanted", "concentrate", "--who", "early shift", "--id", "k7", "--station", "table")
    body, _ = desk.submitted[0]
    assert (body["who"], body["id"], body["station"]) == ("early shift", "k7", "table")
