"""What is printed: lists by the bay's clock and in its unit, and what was said with its numbers."""

from __future__ import annotations

import json
from typing import Any

import pytest

from logger.commands.said import belongs, summary
from tests.board.fake_desk import FakeDesk
from tests.commands.conftest import Run

RUN = {
    "run": "run-2",
    "station": "table",
    "lot": "L-1",
    "start": "2026-03-02T06:00:00.000Z",
    "end": "2026-03-02T07:00:00.000Z",
    "entry": 40,
    "end_entry": 60,
    "marks": [{"mark": "mark-3"}],
}


def entry(number: int, time: str = "2026-03-02T06:30:00.000Z", **body: Any) -> dict[str, Any]:
    body = {"action": "note", **body}
    head = {"entry": number, "time": time, "who": "early", "action": body["action"], "name": ""}
    return head | {"body": body, "state": "stands", "history": []}


@pytest.mark.parametrize(
    ("said", "mine"),
    [
        (entry(40, action="start-run"), True),
        (entry(60, "2026-03-02T09:00:00.000Z", action="end-run"), True),
        (entry(50), True),
        (entry(50, station="table"), True),
        (entry(50, station="other"), False),
        (entry(30, "2026-03-02T05:59:59.000Z"), False),
        (entry(70, "2026-03-02T07:00:01.000Z"), False),
        (entry(70, "2026-03-02T09:00:00.000Z", action="word-mark", mark="mark-3"), True),
        (entry(50, action="word-mark", mark="mark-4"), False),
        (entry(20, "2026-03-01T06:30:00.000Z", action="open-lot", lot="L-1"), True),
        (entry(50, action="open-lot", lot="L-2"), False),
        (entry(90, "2026-03-02T09:00:00.000Z", action="weigh-product", run="run-2"), True),
        (entry(50, action="weigh-product", run="run-1"), False),
    ],
)
def test_what_belongs_to_a_run(said: dict[str, Any], mine: bool) -> None:
    assert belongs(said, RUN) is mine


def test_what_was_said_is_listed_with_its_numbers(run: Run, desk: FakeDesk) -> None:
    desk.said_list = [
        entry(50, text="[b]wet[/b]\nfeed")
        | {"state": "amended", "history": [{"was": {}, "entry": 55, "why": "a slip"}]},
        entry(41, "2026-03-02T06:10:00.000Z", action="settings", values={"tilt": "4°"}),
    ]
    done = run("said")
    head, first, second = [" ".join(line.split()) for line in done.stdout.splitlines()]
    assert head == "entry time (Europe/Vienna) who action what state"
    assert first == "50 2026-03-02 07:30:00 early note text=[b]wet[/b] feed amended by 55: a slip"
    assert second == "41 2026-03-02 07:10:00 early settings values={tilt: 4°} stands"


def test_what_was_said_of_a_run_only(run: Run, desk: FakeDesk) -> None:
    desk.runs_list = [RUN]
    desk.said_list = [entry(70, "2026-03-02T08:00:00.000Z"), entry(50)]
    assert [each["entry"] for each in json.loads(run("said", "--run", "run-2", "--json").stdout)] == [50]
    assert run("said", "--run", "run-9").exit_code == 65


def test_a_summary_leaves_out_what_is_empty() -> None:
    body = {"action": "open-lot", "lot": "L", "gross": 412.5, "owner": "", "photographs": [], "id": "k"}
    assert summary({"name": "", "body": body}) == "lot=L gross=412.5"


def test_lists_are_in_the_bays_time_and_unit(run: Run, desk: FakeDesk) -> None:
    desk.show(units="lb")
    desk.runs_list = [RUN | {"end": None}]
    containers = [{"container": "1", "gross_kg": 45.359237, "tare_kg": None}]
    lot = {"lot": "L-1", "owner": "", "material": "", "net_kg": None, "opened": "2026-03-02T05:00:00.000Z"}
    desk.lots_list = [lot | {"containers": containers}]
    assert "2026-03-02 07:00:00" in run("run", "list").stdout
    lots = run("lot", "list").stdout
    assert "2026-03-02 06:00:00" in lots
    assert "1: 100.000 / ?" in lots


def test_json_keeps_the_apis_own_times(run: Run, desk: FakeDesk) -> None:
    desk.runs_list = [RUN]
    assert json.loads(run("run", "list", "--json").stdout) == [RUN]
