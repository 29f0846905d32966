"""What is said in the middle of a run with few touches: the feed, marks, containers, a forgotten start."""

from __future__ import annotations

from copy import deepcopy
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import expect

from logger.board.desk import Answer
from tests.board.fake_desk import FakeDesk
from tests.board.snapshots import STOPPED
from tests.browser.conftest import Opener
from tests.browser.test_use import button, said

pytestmark = pytest.mark.browser
NO_RUN = {
    **STOPPED,
    "id": "no-run-open table feed",
    "kind": "no-run-open",
    "active": True,
    "subject": "feed",
    "channel": "hopper",
    "what": "The feed of table moves and no run is open.",
    "do": "Start the run, with the time it began; or stop the feed.",
    "evidence": {"since": "2030-05-04T12:31:00.000Z"},
}


def with_station(desk: FakeDesk, *changes: dict[str, Any]) -> None:
    """The first station again, once for each change of it."""
    station = desk.snapshot()["stations"][0]
    desk.show(stations=[deepcopy(station) | change for change in changes])


def test_a_forgotten_start_is_said_from_its_alarm(opens: Opener, url: str, desk: FakeDesk) -> None:
    """With the time the feed began to move, by the bay's clock; the sight of it stays readable."""
    page = opens(url).page
    desk.show(alarms=[NO_RUN])
    begin = page.locator(".alarm .begin")
    expect(begin).to_have_text("Start run from 13:31")
    assert Axe().run(page).response["violations"] == []
    begin.click()
    expect(page.locator("#said-last")).to_have_text("Run started from 13:31: Recorded.")
    time = "2030-05-04T12:31:00Z"
    assert said(desk) == [{"action": "start-run", "station": "table", "time": time}]


def test_other_alarms_offer_no_start(opens: Opener, url: str, desk: FakeDesk) -> None:
    page = opens(url).page
    desk.show(alarms=[STOPPED, {**NO_RUN, "active": False, "state": "returned-unacknowledged"}])
    expect(page.locator(".alarm")).to_have_count(2)
    expect(page.locator(".alarm .begin:visible")).to_have_count(0)


def test_the_feed_is_paused_and_goes_on_with_one_touch(opens: Opener, url: str, desk: FakeDesk) -> None:
    page = opens(url).page
    button(page, "Pause the feed").click()
    expect(page.locator("#said-last")).to_have_text("The feed is paused: Recorded.")
    with_station(desk, {"paused_since": "2030-05-04T12:35:00.000Z"})
    expect(page.locator(".feed h3")).to_contain_text("paused since 13:35")
    button(page, "The feed goes on").click()
    expect(page.locator("#said-last")).to_have_text("The feed goes on: Recorded.")
    assert said(desk) == [
        {"action": "pause-feed", "station": "table", "why": ""},
        {"action": "resume-feed", "station": "table"},
    ]


def test_with_two_stations_the_one_is_asked_for(opens: Opener, url: str, desk: FakeDesk) -> None:
    with_station(desk, {}, {"name": "second"})
    page = opens(url).page
    button(page, "Feed paused …").click()
    button(page, "second: pause the feed").click()
    expect(page.locator("#said-last")).to_have_text("The feed is paused: Recorded.")
    assert said(desk) == [{"action": "pause-feed", "station": "second", "why": ""}]


def test_a_mark_is_one_touch_and_tells_its_name(opens: Opener, url: str, desk: FakeDesk) -> None:
    desk.answer = Answer(True, data={"marked": {"mark": "mark-3"}})
    page = opens(url).page
    button(page, "Mark").click()
    expect(page.locator("#said-last")).to_have_text("Mark: Recorded as mark-3.")
    assert said(desk) == [{"action": "mark", "station": "table"}]


@pytest.mark.parametrize(
    ("touched", "action"),
    [
        ("It was changed", "container-changed"),
        ("It is away, none stands here", "container-away"),
        ("Water was poured off", "decanted"),
    ],
)
def test_what_was_done_with_a_container(
    touched: str, action: str, opens: Opener, url: str, desk: FakeDesk
) -> None:
    page = opens(url).page
    button(page, "Container …").click()
    page.locator("#d-container").get_by_label("Outlet").select_option("middlings")
    button(page, touched).click()
    expect(page.locator("#said-last")).to_have_text(f"{touched}: Recorded.")
    assert said(desk) == [{"action": action, "station": "table", "outlet": "middlings"}]


@pytest.mark.parametrize(("typed", "hold_up"), [("0,4", 0.4), ("wait", "wait")])
def test_what_is_left_on_the_deck_goes_with_the_end(
    typed: str, hold_up: object, opens: Opener, url: str, desk: FakeDesk
) -> None:
    page = opens(url).page
    button(page, "End the run").click()
    page.get_by_label("Left on the deck").fill(typed)
    button(page, "Enter").click()
    expect(page.locator("#said-last")).to_have_text("End the run: Recorded.")
    assert said(desk) == [{"action": "end-run", "station": "table", "hold_up": hold_up}]


@pytest.mark.parametrize("size", ["panel", "phone"])
def test_the_new_forms_can_be_read_and_reached(size: str, opens: Opener, url: str, desk: FakeDesk) -> None:
    """No fault by axe, and nothing wider than the screen."""
    page = opens(url, size=size).page
    button(page, "Container …").click()
    expect(page.locator("#d-container")).to_be_visible()
    assert Axe().run(page).response["violations"] == []
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
