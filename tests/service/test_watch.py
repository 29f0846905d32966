"""The watchdog is fed by progress alone."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise

import pytest

from logger.service.notify import Notifier
from logger.service.watch import Moving, Watch, Worker


class Manager(Notifier):
    """Keeps what it is told."""

    def __init__(self) -> None:
        super().__init__("")
        self.heard: list[dict[str, object]] = []

    def tell(self, **fields: object) -> bool:
        self.heard.append(fields)
        return True

    def fed(self) -> int:
        return sum("WATCHDOG" in each for each in self.heard)


class House:
    """One worker that counts; time passes by hand."""

    def __init__(self, interval_s: float | None = 30.0) -> None:
        self.now_s = 0.0
        self.count = 0
        self.manager = Manager()
        clock: Callable[[], float] = lambda: self.now_s  # noqa: E731
        moving = Moving(lambda: self.count, clock)
        worker = Worker("loop", lambda: moving.stuck(10.0))
        self.watch = Watch(self.manager, interval_s, lambda: [worker], clock)

    def run(self, seconds: int, moving: bool) -> None:
        for _ in range(seconds):
            self.now_s += 1.0
            self.count += moving
            self.watch.turn("recording")


def test_progress_feeds_at_least_every_half_interval() -> None:
    """sd_watchdog_enabled(3) recommends half of the interval."""
    house = House()
    times: list[float] = []
    for _ in range(120):
        before = house.manager.fed()
        house.run(1, moving=True)
        times += [house.now_s] * (house.manager.fed() - before)
    gaps = [later - earlier for earlier, later in pairwise(times)]
    assert max(gaps) <= 15.0
    assert min(gaps) >= 12.0


def test_standing_still_stops_the_feed_and_names_the_worker(caplog: pytest.LogCaptureFixture) -> None:
    house = House()
    house.run(20, moving=True)
    house.run(10, moving=False)
    fed = house.manager.fed()
    house.run(60, moving=False)
    assert house.manager.fed() == fed
    assert [record.levelname for record in caplog.records] == ["ERROR"]
    assert "STUCK: loop" in caplog.text
    assert house.manager.heard[-1] == {"STATUS": "STUCK: loop: it has not moved for 11 s"}


def test_moving_again_feeds_again(caplog: pytest.LogCaptureFixture) -> None:
    house = House()
    house.run(40, moving=False)
    fed = house.manager.fed()
    house.run(20, moving=True)
    assert house.manager.fed() > fed
    assert "loop moves again" in caplog.text
    assert house.manager.heard[-2]["STATUS"] == "recording"


def test_without_a_watchdog_trouble_is_still_logged(caplog: pytest.LogCaptureFixture) -> None:
    house = House(interval_s=None)
    house.run(30, moving=False)
    assert house.manager.fed() == 0
    assert "STUCK: loop" in caplog.text


def test_the_status_is_told_when_it_changes_only() -> None:
    house = House(interval_s=None)
    house.run(30, moving=True)
    assert house.manager.heard == [{"STATUS": "recording"}]


@pytest.mark.parametrize(("interval_s", "pause_s"), [(None, 1.0), (60.0, 1.0), (2.0, 0.25)])
def test_turns_come_often_enough(interval_s: float | None, pause_s: float) -> None:
    assert House(interval_s).watch.pause_s == pause_s
