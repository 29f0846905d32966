"""A real Chromium on a real board. Without Chromium these tests are left out, and the summary says so."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

import pytest
from playwright.sync_api import Browser, Error, Page, expect, sync_playwright

from logger.app import Daemon
from tests.board.fake_desk import FakeDesk, served
from tests.board.snapshots import calm

_LEFT_OUT = pytest.StashKey[int]()
expect.set_options(timeout=10_000)  # a busy machine is no fault of the page
SIZES = {"wide": (1920, 1080), "panel": (1280, 800), "phone": (390, 844)}


def chromium() -> str | None:
    """The Chromium to use: TALLYDECK_CHROMIUM, or the first one on the path."""
    names = ("chromium", "chromium-browser", "google-chrome")
    return os.environ.get("TALLYDECK_CHROMIUM") or next(filter(None, map(shutil.which, names)), None)


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    if chromium() is not None:
        return
    left_out = [item for item in items if item.get_closest_marker("browser")]
    config.stash[_LEFT_OUT] = len(left_out)
    config.hook.pytest_deselected(items=left_out)
    items[:] = [item for item in items if item not in left_out]


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter, config: pytest.Config) -> None:
    left_out = config.stash.get(_LEFT_OUT, 0)
    if left_out:
        terminalreporter.write_sep("=", "the page was not tested", yellow=True)
        terminalreporter.write_line(
            f"{left_out} browser tests were left out: no Chromium on this machine. "
            "Install one, or name it in TALLYDECK_CHROMIUM."
        )


@pytest.fixture(scope="module")  # not longer: its event loop would be in the way of other tests
def browser() -> Iterator[Browser]:
    with sync_playwright() as playwright:
        try:
            browser = playwright.chromium.launch(executable_path=chromium())
        except Error as error:
            pytest.fail(f"Chromium is here ({chromium()}) but does not start: {error.message}")
        yield browser
        browser.close()


@dataclass
class Seen:
    """A page and all it complained of or asked for."""

    page: Page
    complaints: list[str] = field(default_factory=list)
    requests: list[str] = field(default_factory=list)

    def text(self, selector: str) -> str:
        return self.page.locator(selector).first.inner_text()


Opener = Callable[..., Seen]


@pytest.fixture
def opens(browser: Browser) -> Iterator[Opener]:
    """Open a board's page: ``opens(url, size="panel", dark=False, motion=False)``."""
    contexts = []

    def open_page(url: str, size: str = "panel", dark: bool = False, motion: bool = False) -> Seen:
        width, height = SIZES[size]
        context = browser.new_context(
            viewport={"width": width, "height": height},
            color_scheme="dark" if dark else "light",
            reduced_motion="no-preference" if motion else "reduce",
            timezone_id="America/Lima",  # not the bay's: times must come from the snapshot
        )
        context.set_default_timeout(15_000)
        contexts.append(context)
        seen = Seen(context.new_page())
        seen.page.on("pageerror", lambda error: seen.complaints.append(str(error)))
        seen.page.on(
            "console",
            lambda message: (
                seen.complaints.append(message.text) if message.type in {"error", "warning"} else None
            ),
        )
        seen.page.on("request", lambda request: seen.requests.append(request.url))
        seen.page.goto(url)
        seen.page.wait_for_selector("body:not(.waiting)")
        return seen

    yield open_page
    for context in contexts:
        context.close()


@pytest.fixture
def desk(alive: tuple[FakeDesk, str]) -> FakeDesk:
    """The desk behind `url`, as new."""
    alive[0].reset(calm())
    alive[0].show()
    return alive[0]


@pytest.fixture(scope="module")
def alive() -> Iterator[tuple[FakeDesk, str]]:
    """A board that lives and beats, for all tests that do not stop it."""
    desk = FakeDesk(calm())
    with served(desk) as board, desk.beat():
        yield desk, board.url


@pytest.fixture
def url(alive: tuple[FakeDesk, str], desk: FakeDesk) -> str:
    return alive[1]


@pytest.fixture
def own_desk() -> FakeDesk:
    """A desk for a board of the test's own."""
    return FakeDesk(calm())


Visit = Callable[..., Page]


@pytest.fixture
def visit(browser: Browser, daemon: Daemon) -> Iterator[Visit]:
    """Open a page of the module's own daemon: ``visit("/prepare", size="panel", dark=False)``; a fault in
    its script fails."""
    contexts = []

    def go(path: str, size: str = "panel", dark: bool = False) -> Page:
        width, height = SIZES[size]
        scheme = "dark" if dark else "light"
        contexts.append(browser.new_context(viewport={"width": width, "height": height}, color_scheme=scheme))
        page = contexts[-1].new_page()
        page.on("pageerror", lambda error: pytest.fail(str(error)))
        page.goto(daemon.board.url.rstrip("/") + path)
        page.wait_for_selector("body:not(.waiting)")
        return page

    yield go
    for context in contexts:
        context.close()
