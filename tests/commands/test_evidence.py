"""Samples, results, moistures and check weights from the command line."""

from __future__ import annotations

import pytest

from logger.board.desk import Answer
from logger.commands import weighing
from logger.commands.said import belongs, summary
from tests.board.fake_desk import FakeDesk
from tests.commands.conftest import Run, words
from tests.commands.test_weighing import Bench


@pytest.fixture(autouse=True)
def _quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(weighing, "EVERY_S", 0.01)


def test_a_check_weight_is_waited_for_and_printed(run: Run, desk: FakeDesk) -> None:
    Bench(desk, [5.005])
    done = run("say", "check-weight", "bench", "5 kg")
    assert (done.exit_code, done.stdout) == (0, "check weight shown 5.005 kg\n")
    assert "put the check weight on bench; waiting for a stable weight" in done.stderr


def test_a_pan_is_waited_for_by_its_name(run: Run, desk: FakeDesk) -> None:
    Bench(desk, [0.905])
    words_typed = ("say", "moisture", "F1", "--pan-dry", "weigh", "--container", "pan 3", "--scale", "bench")
    done = run(*words_typed)
    assert (done.exit_code, done.stdout) == (0, "pan 3 pan dry 0.905 kg\n")
    assert "put pan 3 with the dried sample on bench" in done.stderr


def test_a_result_says_which_material_it_found(run: Run, desk: FakeDesk) -> None:
    data = {"sample-result": {"sample": "C1", "of": "concentrate of run-1"}}
    desk.answer = Answer(True, seq=7, data=data)
    done = run("say", "result", "C1", "--assay", "bronze=81.5 %", "--u", "bronze=0.5%")
    assert done.stdout == "sample C1: concentrate of run-1\n"
    (said,) = words(desk)
    assert (said["assay"], said["u"]) == ({"bronze": 0.815}, {"bronze": 0.005})


@pytest.mark.parametrize(
    ("typed", "why"),
    [
        (("--assay", "bronze"), 'shares are written name=value; found "bronze"'),
        (("--counted", "bronze=4.5"), "a count is a whole number: --counted bronze=412"),
        (("--assay", "a=1 %", "--u", "1 %", "--u", "2 %"), "several of --u are written name=value"),
    ],
)
def test_what_was_typed_wrong_is_told(run: Run, typed: tuple[str, ...], why: str) -> None:
    done = run("say", "result", "C1", *typed)
    assert done.exit_code == 64
    assert why in done.stderr


def test_a_late_result_is_listed_with_its_run() -> None:
    each = {
        "entry": 9,
        "time": "2026-04-02T06:00:00Z",
        "body": {"action": "sample-result", "sample": "C1", "counted": {"bronze": 3}},
        "found": [{"fact": "sample", "of": "concentrate of run-1", "entry": 4}],
    }
    run_1 = {"run": "run-1", "station": "table", "lot": None, "entry": 1, "end_entry": 3}
    run_1 |= {"start": "2026-03-02T06:00:00Z", "end": "2026-03-02T07:00:00Z"}
    with_result = run_1 | {"samples": [{"entry": 4, "results": [{"entry": 9}], "moistures": []}]}
    assert [belongs(each, run_1), belongs(each, with_result)] == [False, True]
    assert summary(each) == "sample=C1 counted={bronze: 3} (of concentrate of run-1)"
