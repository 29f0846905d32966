"""The pages that lead: before a run, and through its weigh-up; on a real daemon and the simulated bay."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page, expect

from logger.app import Daemon
from tests.app.bays import running_bay, running_daemon, until
from tests.browser.conftest import Visit

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def daemon(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Daemon]:
    """Fast, with a run that has ended; the next one is to be prepared."""
    home = tmp_path_factory.mktemp("guides")
    with running_bay(home, speed=20.0) as bay, running_daemon(bay, home) as daemon:
        say = daemon.loop.submit
        say({"action": "open-lot", "lot": "L-0412", "material": "floor sweepings"}, "test")
        say({"action": "settings", "values": {"tilt": "4.5 deg", "stroke": "14 mm"}}, "test")
        say({"action": "start-run", "lot": "L-0412", "run": "first"}, "test")
        began = daemon.clock.now_ns()
        until(
            lambda: daemon.clock.now_ns() - began > 240 * 10**9, what="four minutes of the bay", timeout_s=60
        )
        say({"action": "end-run"}, "test")
        yield daemon


def balanced(page: Page) -> None:
    expect(page.locator("#balance")).to_be_visible(timeout=30_000)


def test_instruments_that_are_heard_tick_themselves_off(visit: Visit) -> None:
    page = visit("/prepare")
    expect(page.locator('[data-step="alive"]')).to_contain_text("All 7 are heard.")
    expect(page.locator('[data-step="alive"]')).to_have_class("done")
    expect(page.locator('[data-step="zero"] tbody tr')).to_have_count(5)
    expect(page.locator('[data-step="feed"]')).to_contain_text("60.0 kg/h, between 54.0 kg/h and 66.0 kg/h")


def test_the_last_runs_settings_are_offered_and_written_down(visit: Visit, daemon: Daemon) -> None:
    page = visit("/prepare")
    settings = page.locator('[data-step="settings"]')
    expect(settings).to_contain_text("As in first")
    inputs = settings.locator(".pairs input")
    assert [inputs.nth(i).input_value() for i in range(4)] == ["tilt", "4.5 deg", "stroke", "14 mm"]
    inputs.nth(1).fill("5 deg")
    inputs.nth(4).fill("speed")
    inputs.nth(5).fill("290 /min")
    settings.get_by_role("button").click()
    expect(settings).to_contain_text("Recorded.")
    (station,) = daemon.loop.snapshot()["stations"]
    assert station["settings"] == {"tilt": "5 deg", "stroke": "14 mm", "speed": "290 /min"}


def test_a_weight_that_makes_no_sense_is_refused_in_words(visit: Visit) -> None:
    page = visit("/prepare")
    box = page.locator('[data-step="check"]')
    box.get_by_label("Weight").fill("heavy")
    box.get_by_role("button").click()
    expect(box).to_contain_text("heavy kg")


def test_a_check_weight_is_waited_for(visit: Visit, daemon: Daemon) -> None:
    """Nobody puts one on in the simulated bay: the page waits, and says on which scale."""
    page = visit("/prepare")
    box = page.locator('[data-step="check"]')
    expect(box).to_contain_text("concentrate · never checked")
    box.get_by_label("Scale").select_option("fines")
    box.get_by_label("Weight").fill("5")
    box.get_by_role("button").click()
    expect(box).to_contain_text("Waiting for a stable weight on fines")
    daemon.loop.submit({"action": "cancel-weighing", "scale": "fines"}, "test")
    body = {"action": "check-weight", "scale": "fines", "nominal": "5 kg", "shown": "5.005 kg"}
    daemon.loop.submit(body, "test")
    expect(box).to_contain_text("Not checked in the last 24 hours")
    expect(box).not_to_contain_text("fines · never checked")


def test_the_weigh_up_leads_from_product_to_product_and_the_balance_grows(visit: Visit) -> None:
    """A moisture and a hand-sorted sample of the concentrate make its grade measured, no longer expected."""
    page = visit("/weigh-up?run=first")
    balanced(page)
    row = page.locator("#balance-rows tr", has=page.locator("th", has_text="concentrate"))
    expect(row).to_contain_text("estimated")
    expect(page.locator("#product h2")).to_have_text("concentrate")
    line = page.locator("#products li", has_text="concentrate")
    expect(line).to_contain_text("✓ mass – moisture – sample".replace(" –", "  –"))
    moisture = page.locator("#moisture")
    moisture.get_by_label("% of the wet mass").fill("4,5")
    moisture.get_by_role("button").click()
    expect(page.locator("#told")).to_contain_text("moisture · 4.5 % of the wet mass")
    result = page.locator("#result")
    result.get_by_label("Sample number").fill("S-1")
    result.get_by_label("found by").select_option("sorted")
    result.get_by_label("found of component 1").fill("46.2")
    result.get_by_label("found of component 2").fill("3.8")
    result.get_by_role("button").click()
    expect(page.locator("#told")).to_contain_text("sample S-1 · bronze 46.20 g, the rest 3.800 g")
    expect(line).to_contain_text("✓ mass  ✓ moisture  ✓ sample")
    expect(row).to_contain_text("hand-sorted", timeout=30_000)
    expect(row).to_contain_text("92 ±")
    page.get_by_role("button", name="Next product").click()
    expect(page.locator("#product h2")).to_have_text("middlings")


def test_what_the_books_refuse_is_said_and_nothing_is_lost(visit: Visit) -> None:
    page = visit("/weigh-up?run=first")
    balanced(page)
    weigh = page.locator("#weigh")
    weigh.get_by_label("Container").fill("1")
    weigh.get_by_label("Gross").fill("1.0")
    weigh.get_by_label("Tare").fill("2.0")
    weigh.get_by_role("button").click()
    expect(page.locator("[data-f=outcome]")).to_contain_text("tare")
    expect(weigh.get_by_label("Gross")).to_have_value("1.0")


def test_a_run_page_leads_to_its_weigh_up(visit: Visit) -> None:
    page = visit("/run?run=first")
    page.get_by_role("link", name="Weigh this run up").click()
    expect(page.locator("#t-steps")).to_contain_text("first")


@pytest.mark.parametrize("path", ["/prepare", "/weigh-up?run=first"])
@pytest.mark.parametrize(("size", "dark"), [("panel", False), ("wide", False), ("phone", True)])
def test_a_guide_is_accessible_and_never_wider_than_the_screen(
    visit: Visit, path: str, size: str, dark: bool
) -> None:
    page = visit(path, size, dark)
    if "weigh" in path:
        balanced(page)
    found = Axe().run(page)
    assert found.violations_count == 0, found.generate_report()
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")


def test_a_run_is_started_from_the_last_step(visit: Visit, daemon: Daemon) -> None:
    """It leads to the deck, where the run is open."""
    page = visit("/prepare")
    start = page.locator('[data-step="start"]')
    start.get_by_label("Lot").fill("L-0412")
    start.get_by_role("button").click()
    page.wait_for_url(daemon.board.url)
    (station,) = daemon.loop.snapshot()["stations"]
    assert station["run"]["run"] != "first"
    assert station["lot"]["lot"] == "L-0412"
    daemon.loop.submit({"action": "end-run"}, "test")
