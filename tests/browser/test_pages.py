"""The pages beside the live board: lots and runs, a run, the instruments."""

from __future__ import annotations

from collections.abc import Iterator

import httpx
import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import expect

from logger.app import Daemon
from tests.app.bays import running_bay, running_daemon, until
from tests.board.fake_desk import FakeDesk
from tests.browser.conftest import Opener, Visit

pytestmark = pytest.mark.browser

HOSTILE = '<img src=x onerror=alert(1)>"' + "x" * 300


@pytest.fixture(scope="module")
def daemon(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Daemon]:
    """A real daemon on the simulated bay, with one lot and a run of some minutes that has ended."""
    home = tmp_path_factory.mktemp("pages")
    with running_bay(home, speed=20.0) as bay, running_daemon(bay, home) as daemon:
        loop = daemon.loop
        loop.submit({"action": "open-lot", "lot": "L-0412", "material": "floor sweepings"}, "test")
        loop.submit({"action": "open-lot", "lot": HOSTILE[:80], "owner": HOSTILE[:80]}, "test")
        loop.submit({"action": "start-run", "lot": "L-0412", "run": "first"}, "test")
        began = daemon.clock.now_ns()
        until(lambda: daemon.clock.now_ns() - began > 150 * 10**9, what="150 s of the bay")
        loop.submit({"action": "note", "text": HOSTILE}, "test")
        loop.submit({"action": "end-run"}, "test")
        loop.submit({"action": "start-run", "lot": HOSTILE[:80], "run": "second"}, "test")
        yield daemon


def test_runs_and_lots_are_listed_the_newest_first_and_lead_to_the_run(visit: Visit) -> None:
    page = visit("/lots")
    rows = page.locator("#runs tr")
    expect(rows).to_have_count(2)
    expect(rows.nth(0).locator("th")).to_have_text("second")
    expect(rows.nth(0)).to_contain_text("open")
    expect(rows.nth(1)).to_contain_text("L-0412")
    rows.nth(1).get_by_role("link", name="first").click()
    expect(page.locator("main h2").first).to_have_text("first")


def test_a_word_finds_lots_and_runs(visit: Visit) -> None:
    page = visit("/lots")
    page.get_by_role("searchbox").fill("SWEEPINGS first")
    expect(page.locator("#runs tr")).to_have_count(1)
    expect(page.locator("#lots tr")).to_have_count(1)
    expect(page.locator("#found")).to_have_text("1 of 2 runs, 1 of 2 lots")
    page.get_by_role("searchbox").fill("nothing is called so")
    expect(page.locator("#runs tr")).to_have_count(0)


def test_a_run_is_shown_with_figures_lines_balance_and_events(visit: Visit) -> None:
    page = visit("/run?run=first")
    expect(page.locator("#figures div")).to_have_count(6)
    expect(page.locator("#figures")).to_contain_text("concentrate")
    charts = page.locator("#charts .chart")
    expect(charts).to_have_count(4)
    expect(charts.nth(0).locator("rect.band")).to_have_count(1)
    expect(charts.nth(1).locator("path.line")).to_have_count(8)  # four outlets, each with its sample
    assert "tailings" in (charts.nth(1).locator("svg").get_attribute("aria-label") or "")
    expect(page.locator("#balance")).to_be_visible(timeout=30_000)
    expect(page.locator("#balance-rows th").first).to_have_text("feed")
    expect(page.locator("#events")).to_contain_text("note: <img src=x onerror=alert(1)>")


def test_the_lines_hold_what_the_api_gives(visit: Visit, daemon: Daemon) -> None:
    """The last point of the feed's line lies at the height of the last rate told."""
    page = visit("/run?run=first")
    record = daemon.loop.run_record("first")
    assert record is not None
    feed = [value for value in record["rates"]["lines"]["feed"] if value is not None]
    told = page.locator("#charts .chart").nth(0).locator("svg").get_attribute("aria-label") or ""
    assert f"at the end {float(f'{feed[-1]:.3g}'):g} kg/h" in told
    way = page.locator("#charts .chart").nth(0).locator("path.line").first.get_attribute("d") or ""
    assert way.count("M") + way.count("L") == len(feed)


def test_a_run_that_is_none_is_said(visit: Visit) -> None:
    page = visit("/run?run=third")
    expect(page.get_by_role("alert")).to_contain_text('There is no run named "third"')


def test_instruments_show_what_they_serve_and_when_they_were_heard(visit: Visit) -> None:
    page = visit("/instruments")
    row = page.locator("#instruments tr", has=page.locator("th", has_text="concentrate"))
    expect(row).to_contain_text("concentrate of table")
    expect(row).to_contain_text("connected")
    before = row.inner_text()
    expect(row).not_to_have_text(before, timeout=10_000)
    tops = page.locator("#instruments tr").evaluate_all(
        "rows => rows.map(r => r.getBoundingClientRect().top)"
    )
    assert len(set(tops)) == len(tops) == 7, "each instrument has a line of its own"
    left = "cells => cells.map(c => c.getBoundingClientRect().left)"
    assert row.locator("th, td").evaluate_all(left) == page.locator(
        "table:has(#instruments) thead th"
    ).evaluate_all(left), "below their heads"
    expect(page.locator("#scales tr").first).to_contain_text("never")


def test_a_daemon_that_is_lost_is_said_and_found_again(opens: Opener, url: str, desk: FakeDesk) -> None:
    page = opens(url + "instruments").page
    page.route("**/api/v1/state", lambda route: route.abort())
    expect(page.get_by_role("alert")).to_contain_text("No word from the daemon")
    page.unroute("**/api/v1/state")
    expect(page.locator("#trouble")).to_be_hidden()


@pytest.mark.parametrize("path", ["/lots", "/run?run=first", "/instruments"])
@pytest.mark.parametrize(("size", "dark"), [("panel", False), ("phone", True)])
def test_a_page_is_accessible_and_never_wider_than_the_screen(
    visit: Visit, path: str, size: str, dark: bool
) -> None:
    page = visit(path, size, dark)
    if "run=" in path:
        expect(page.locator("#balance")).to_be_visible(timeout=30_000)
    found = Axe().run(page)
    assert found.violations_count == 0, found.generate_report()
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    high = "cells => Math.max(...cells.map(c => c.getBoundingClientRect().height))"
    assert page.locator("td").evaluate_all(high) < 160, "a table slides rather than stand a word a line"


def test_pages_are_reached_by_keyboard_alone(visit: Visit) -> None:
    page = visit("/lots")
    for _ in range(5):  # the deck, before a run, weigh-up, lots and runs, instruments
        page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    expect(page).to_have_title("Instruments · Foundry bay")


def test_every_page_is_served_with_a_session_to_a_browser(url: str) -> None:
    for path in ("lots", "run", "instruments"):
        with httpx.Client(base_url=url) as client:
            assert client.get("api/v1/state").status_code == 401
            assert client.get(path).status_code == 200
            assert client.get("api/v1/state").status_code == 200
