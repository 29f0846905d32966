"""What the cards say of an outlet's rhythm and of the pace of feeding by hand."""

from __future__ import annotations

from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import expect

from tests.board.fake_desk import FakeDesk
from tests.board.snapshots import calm
from tests.browser.conftest import Opener

pytestmark = pytest.mark.browser

RHYTHM = {
    "stops": 3,
    "sentence": "plugs about every 12 minutes, last cleared 10 minutes ago",
    "cost": "The 3 stops held back 1.2 ± 0.1 kg; of it 0.4 ± 0.1 kg never came",
}
BEHIND = {
    "state": "behind", "ahead_kg": -1.2, "ahead_s": -72.0, "tone": -0.6, "dead_band_kg": 0.2,
    "words": "1.2 kg behind, about 70 s of feeding",
}  # fmt: skip


def shown(desk: FakeDesk, pace: dict[str, Any] | None, rhythm: dict[str, Any] | None) -> None:
    stations = calm()["stations"]
    stations[0]["feed"]["pace"] = pace
    stations[0]["outlets"][0]["rhythm"] = rhythm
    desk.show(stations=stations)


@pytest.mark.parametrize(("size", "dark"), [("panel", True), ("phone", False)])
def test_the_rhythm_and_the_pace_are_said(
    size: str, dark: bool, opens: Opener, url: str, desk: FakeDesk
) -> None:
    """In words, on a phone too, without sideways scroll and with nothing for axe-core to find."""
    shown(desk, BEHIND, RHYTHM)
    seen = opens(url, size, dark)
    outlet = seen.page.locator(".outlet").first
    expect(outlet).to_contain_text("Plugs about every 12 minutes, last cleared 10 minutes ago.")
    expect(outlet).to_contain_text("of it 0.4 ± 0.1 kg never came.")
    expect(seen.page.locator(".feed .pace")).to_contain_text("▼ 1.2 kg behind, about 70 s of feeding")
    assert seen.page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    assert seen.complaints == []
    assert Axe().run(seen.page).response["violations"] == []


@pytest.mark.parametrize(
    "rhythm", [None, RHYTHM | {"stops": 0, "sentence": "has not plugged in 2 hours of feeding"}]
)
def test_what_never_happened_is_no_news(
    rhythm: dict[str, Any] | None, opens: Opener, url: str, desk: FakeDesk
) -> None:
    shown(desk, None, rhythm)
    page = opens(url).page
    expect(page.locator(".outlet").first).to_contain_text("Stop noticed in 48 s")
    assert page.locator(".rhythm:visible").count() == 0
    assert page.locator(".pace:visible").count() == 0


WHERE = """() => {
  const middle = node => { const box = node.getBoundingClientRect(); return box.x + box.width / 2; };
  const zone = document.querySelector(".pace .band-zone").getBoundingClientRect();
  const now = middle(document.querySelector(".pace .band-now"));
  return now < zone.left ? "left" : now > zone.right ? "right" : "inside";
}"""


def test_the_gauge_is_drawn_true(opens: Opener, url: str, desk: FakeDesk) -> None:
    """Behind lies left, ahead right, and the middle is half a scoop either way; paused there is no mark."""
    page = opens(url).page
    for kg, tone, state, lies in (
        (-1.2, -0.6, "behind", "left"),
        (9.0, 1.0, "ahead", "right"),
        (-0.15, 0.0, "on-pace", "inside"),
        (0.21, 0.01, "ahead", "right"),
    ):
        shown(desk, BEHIND | {"ahead_kg": kg, "tone": tone, "state": state, "words": f"{kg} kg"}, None)
        expect(page.locator(".pace")).to_contain_text(f"{kg} kg")
        assert page.evaluate(WHERE) == lies
    shown(desk, BEHIND | {"tone": 0.0, "state": "paused", "words": "paused: nothing is owed"}, None)
    expect(page.locator(".pace")).to_contain_text("nothing is owed")
    assert page.locator(".pace .band-now").evaluate("n => getComputedStyle(n).visibility") == "hidden"


def test_hostile_words_are_inert(opens: Opener, url: str, desk: FakeDesk) -> None:
    """An outlet's name never stands in these sentences, but whatever does is shown as text."""
    shown(desk, BEHIND | {"words": "<img src=x>"}, RHYTHM | {"sentence": "<img src=x>\u202e"})
    page = opens(url).page
    expect(page.locator(".pace")).to_contain_text("<img src=x>")
    assert page.locator("main img").count() == 0


def test_what_lies_on_the_deck_is_told_with_its_interval(opens: Opener, url: str, desk: FakeDesk) -> None:
    """In the bay's unit: 0.4 and 0.9 kg over 0.45359237 kg/lb (NIST SP 811) are 0.88 and 1.98 lb."""
    stations = calm()["stations"]
    stations[0]["hold_up"] = {"kg": 0.6, "u_kg": 0.12, "low_kg": 0.4, "high_kg": 0.9}
    desk.show(stations=stations)
    held = opens(url).page.locator(".held")
    expect(held).to_contain_text("0.4 to 0.9 kg · estimated")
    desk.show(stations=stations, units="lb")
    expect(held).to_contain_text("0.9 to 2.0 lb · estimated")


def test_a_recovery_by_earlier_lots_says_so(opens: Opener, url: str, desk: FakeDesk) -> None:
    stations = calm()["stations"]
    stations[0]["recovery"]["expected_from"] = {"words": "estimated from 3 earlier lots"}
    desk.show(stations=stations)
    recovery = opens(url).page.locator(".recovery")
    expect(recovery).to_contain_text("82 to 91 % · estimated from 3 earlier lots")
