"""Weighing by hand from the command line: wait, print what was taken, or say not to."""

from __future__ import annotations

import json
from typing import Any

import pytest

from logger.commands import weighing
from tests.board.fake_desk import FakeDesk
from tests.commands.conftest import Run, words


@pytest.fixture(autouse=True)
def _quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(weighing, "EVERY_S", 0.01)


class Bench:
    """A scale that gives a weight after it was looked at a few times, as the fold would enter it."""

    def __init__(self, desk: FakeDesk, masses: list[float | None], looks: int = 2) -> None:
        self.desk, self.masses, self.looks = desk, masses, looks
        self.found: list[dict[str, Any]] = []
        desk.on_submit = self.hear
        desk.on_snapshot = self.look

    def hear(self, body: dict[str, Any]) -> None:
        what = next((each for each in weighing.WEIGHTS if body.get(each) == "weigh"), None)
        if what is not None:
            self.waiting = {"container": body.get("container", "check weight"), "what": what}
            self.desk.show(weighing=[{"entry": 7, "scale": body["scale"]}])

    def look(self) -> None:
        """Each look at the bay; after some of them the weight is there."""
        if not self.desk.waiting():
            return
        self.looks -= 1
        if self.looks <= 0:
            mass = self.masses.pop(0)
            fact = {"fact": "cancelled"} if mass is None else {"fact": "weighed", "kg": mass}
            self.found.append(self.waiting | fact)
            self.desk.said_list = [{"entry": 7, "state": "stands", "found": list(self.found)}]
            self.looks = 2
            self.desk.show(weighing=[])


def test_a_weighing_waits_and_prints_the_weight(run: Run, desk: FakeDesk) -> None:
    Bench(desk, [12.345], looks=4)
    done = run("lot", "weigh", "L-1", "drum 2", "--gross", "weigh", "--scale", "bench")
    assert (done.exit_code, done.stdout) == (0, "drum 2 gross 12.345 kg\n")
    assert "put the container drum 2 on bench; waiting for a stable weight" in done.stderr


def test_a_product_is_weighed_likewise(run: Run, desk: FakeDesk) -> None:
    Bench(desk, [1.0])
    done = run("say", "weigh-product", "spill-tray", "1", "--tare", "weigh", "--scale", "bench", "--json")
    assert json.loads(done.stdout)["data"]["weighed"] == {"container": "1", "tare_kg": 1.0, "scale": "bench"}
    assert "put the empty container 1 on bench" in done.stderr


def test_the_containers_of_a_lot_are_weighed_one_after_the_other(run: Run, desk: FakeDesk) -> None:
    """What was typed goes with the lot; what is weighed follows it, in order, by the person's name."""
    Bench(desk, [12.0, 13.0])
    typed = ["--container", "1=weigh/1 kg", "--container", "2 = weigh", "--scale", "bench", "--who", "early"]
    done = run("lot", "open", "L-1", *typed)
    assert done.exit_code == 0, done.stderr
    assert done.stdout.splitlines() == ["1 gross 12.000 kg", "2 gross 13.000 kg"]
    opened, first, second = words(desk)
    assert opened["containers"] == [{"container": "1", "tare": 1.0}, {"container": "2"}]
    weighed = {"action": "weigh-lot", "lot": "L-1", "gross": "weigh", "scale": "bench", "who": "early"}
    assert [first, second] == [weighed | {"container": "1"}, weighed | {"container": "2"}]


def test_ctrl_c_says_not_to_weigh(run: Run, desk: FakeDesk, monkeypatch: pytest.MonkeyPatch) -> None:
    """A weight that is waited for and forgotten would be taken from whatever comes next."""
    Bench(desk, [12.0], looks=1000)

    def interrupted(seconds: float) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(weighing.time, "sleep", interrupted)
    done = run("lot", "weigh", "L-1", "1", "--gross", "weigh", "--scale", "bench")
    assert (done.exit_code, done.stdout) == (130, "")
    assert words(desk)[-1] == {"action": "cancel-weighing", "scale": "bench"}


def test_a_weighing_that_is_cancelled_elsewhere_is_told(run: Run, desk: FakeDesk) -> None:
    Bench(desk, [None])
    done = run("lot", "weigh", "L-1", "1", "--gross", "weigh", "--scale", "bench")
    assert (done.exit_code, done.stdout) == (65, "")
    assert "nothing was taken" in done.stderr


def test_an_earlier_weight_is_not_taken_for_the_new_one(run: Run, desk: FakeDesk) -> None:
    """Another weighing of the same container, found before, says nothing of this one."""
    desk.said_list = [{"entry": 6, "state": "stands", "found": [{"container": "1", "what": "gross"}]}]
    desk.said_list += [{"entry": 7, "state": "withdrawn", "found": []}]
    done = run("lot", "weigh", "L-1", "1", "--gross", "weigh", "--scale", "bench")
    assert (done.exit_code, done.stdout) == (65, "")


def test_no_wait_leaves_it_to_the_daemon(run: Run, desk: FakeDesk) -> None:
    Bench(desk, [12.0], looks=1000)
    done = run("lot", "weigh", "L-1", "1", "--gross", "weigh", "--scale", "bench", "--no-wait")
    assert (done.exit_code, done.stdout) == (0, "")
    assert words(desk)[0]["gross"] == "weigh"


def test_a_typed_weight_needs_no_waiting(run: Run, desk: FakeDesk) -> None:
    assert run("lot", "weigh", "L-1", "1", "--gross", "12.3 kg", "--tare", "1.2 kg").exit_code == 0
    assert words(desk) == [
        {"action": "weigh-lot", "lot": "L-1", "container": "1", "gross": 12.3, "tare": 1.2}
    ]
