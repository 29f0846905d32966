"""The page shows what the snapshot says, legibly, safely and to everyone."""

from __future__ import annotations

from itertools import product
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import expect

from tests.board.fake_desk import FakeDesk
from tests.board.snapshots import STOPPED, alarming, bare, calm, hostile
from tests.browser.conftest import SIZES, Opener, Seen

pytestmark = pytest.mark.browser

DIGIT_PX = """selector => Array.from(document.querySelectorAll(selector)).map(node => {
  const style = getComputedStyle(node);
  const context = document.createElement("canvas").getContext("2d");
  context.font = `${style.fontStyle} ${style.fontWeight} ${style.fontSize} ${style.fontFamily}`;
  return context.measureText("0").actualBoundingBoxAscent;
})"""
KEY_FIGURES = ".feed .key, .outlet .key"


def card(seen: Seen, name: str) -> str:
    return seen.page.locator(".outlet", has=seen.page.locator("h3", has_text=name)).inner_text()


@pytest.mark.parametrize("size", SIZES)
def test_the_figures_are_there(size: str, opens: Opener, url: str) -> None:
    """All of them, at each size; console clean, every request to the board itself, no sideways scroll."""
    seen = opens(url, size)
    assert seen.complaints == []
    assert {request.startswith(url) for request in seen.requests} == {True}
    assert seen.page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    assert "L-0412" in seen.text(".lot")
    assert seen.text(".run-clock").startswith("1:23:4")
    feed = seen.text(".feed")
    assert "61.8 kg/h ± 1.4 kg/h" in " ".join(feed.split())
    assert "on the deck 0.6 kg" in " ".join(feed.split())
    assert "within its band, 54 to 66 kg/h" in feed
    assert "84.62 ± 0.05 kg" in feed
    concentrate, middlings, tailings = (card(seen, n) for n in ("concentrate", "middlings", "tailings"))
    for words in ("wet", "9.316", "± 0.012 kg", "6.6 ± 0.3 kg/h", "11.04 ± 0.04 %", "34 % full"):
        assert words in concentrate
    assert "full in 72 min" in concentrate
    assert "Stop noticed in 48 s" in concentrate
    assert "estimated" not in concentrate
    assert "solids" in middlings
    assert "0.42 kg" in middlings
    assert "estimated part" in middlings
    for words in ("by difference", "56.9", "± 0.9 kg", "Not weighed", "A stop here goes unnoticed"):
        assert words in tailings
    assert "recovery of bronze 82 to 91 % · estimated 87 %" in " ".join(seen.text(".recovery").split())
    assert "tilt" in seen.text(".station-foot")
    assert seen.text(".verdict-words") == "Both weighed outlets deliver"
    wash, feed_water, solids = seen.page.locator(".water").all_inner_texts()
    for words in ("wash water", "14.2 L/min", "12 to 18", "1188 L in the run", "13.8 L/kg of feed"):
        assert words in wash
    for words in ("feed water, with the feed", "2.6 L/min", "217 L in the run, 2 min not measured"):
        assert words in feed_water
    for words in ("solids in the feed", "28 %", "limit 35 %", "± 0.5 % by mass", "moisture not counted"):
        assert words in solids
    assert "● recorded" in seen.text("header")
    assert "No alarm stands" in seen.text("#alarms")
    assert "never stops or starts a machine" in seen.text("footer")


@pytest.mark.parametrize(("size", "mm_a_px"), [("wide", 531.4 / 1920), ("panel", 516.9 / 1280)])
def test_key_figures_can_be_read_at_3_m(size: str, mm_a_px: float, opens: Opener, url: str) -> None:
    """ISO 9241-3: 20 minutes of arc, at 3 m 17.45 mm of digit, on a 24-inch screen of this format."""
    heights_mm = [px * mm_a_px for px in opens(url, size).page.evaluate(DIGIT_PX, KEY_FIGURES)]
    assert len(heights_mm) == 4
    assert min(heights_mm) >= 17.45


@pytest.mark.parametrize("size", ["wide", "panel"])
def test_the_deck_is_seen_without_scrolling(size: str, opens: Opener, url: str) -> None:
    """Lot, clock, feed and every outlet lie within the screen while all is calm."""
    seen = opens(url, size)
    bottoms = seen.page.evaluate(
        "Array.from(document.querySelectorAll('.feed, .outlet')).map(n => n.getBoundingClientRect().bottom)"
    )
    assert max(bottoms) <= SIZES[size][1]


def test_no_mark_is_by_colour_alone(opens: Opener, url: str, desk: FakeDesk) -> None:
    """WCAG 2.2, 1.4.1: whatever an alarm marks carries a sign as well."""
    water = {**STOPPED, "id": "w", "subject": "wash water", "channel": "water-1"}
    feed = {**STOPPED, "id": "f", "subject": "feed", "channel": "hopper"}
    desk.show(alarms=[STOPPED, water, feed])
    seen = opens(url)
    for marked in (
        ".outlet.marked h3 span:first-child",
        ".feed.marked h3 span:first-child",
        ".water.marked dt",
        "#instruments .marked b",
    ):
        sign = seen.page.locator(marked).first.evaluate("n => getComputedStyle(n, '::before').content")
        assert sign == '"▲ "'


def test_long_figures_stay_large(opens: Opener, url: str, desk: FakeDesk) -> None:
    """Decimals give way in the large figure, and stand in full beside the uncertainty."""
    seen = opens(url)
    key, beside = (seen.page.locator(f".outlet {part}").first for part in (".key", ".pm"))
    for kg, shown, whole in (
        (128.4312, "128.4", "128.431 ± 0.012 kg"),
        (12345.678, "12346", "12345.678 ± 0.012 kg"),
        (-1234.5, "−1235", "−1234.500 ± 0.012 kg"),
    ):
        stations = calm()["stations"]
        stations[0]["outlets"][0].update(delivered_kg=kg, u_kg=0.012)
        desk.show(stations=stations)
        expect(beside).to_have_text(f"{whole} wet")
        assert key.inner_text() == shown
        heights_mm = [px * 516.9 / 1280 for px in seen.page.evaluate(DIGIT_PX, KEY_FIGURES)]
        assert min(heights_mm) >= 17.45
        fits = "n => n.getBoundingClientRect().right <= n.closest('.outlet').getBoundingClientRect().right"
        assert key.evaluate(fits)


def test_pounds(opens: Opener, url: str, desk: FakeDesk) -> None:
    """9.316 kg and 0.012 kg over 0.45359237 kg/lb (NIST SP 811) are 20.538 and 0.0265 lb."""
    desk.show(units="lb")
    seen = opens(url)
    assert "20.54" in card(seen, "concentrate")
    assert "± 0.03 lb" in card(seen, "concentrate")
    assert "119 to 146 lb/h" in seen.text(".feed")
    assert "69.23 lb" in seen.text("#instruments")
    assert "3.75 gal/min" in seen.text("#instruments")  # 14.2 L over 3.785411784 L/gal
    wash = seen.text(".water")
    for words in ("3.75 gal/min", "3.2 to 4.8", "314 gal in the run", "1.65 gal/lb of feed"):
        assert words in wash


def test_what_is_not_measured_looks_different(opens: Opener, url: str) -> None:
    """By line and slant as well as by word: a dashed lane and italic figures, not by colour."""
    look = """node => [getComputedStyle(node.querySelector(".stream")).borderBottomStyle,
                       getComputedStyle(node.querySelector(".key")).fontStyle]"""
    outlets = opens(url).page.locator(".outlet")
    assert outlets.nth(0).evaluate(look) == ["none", "normal"]
    assert outlets.nth(2).evaluate(look) == ["dashed", "italic"]


def test_water_that_is_not_measured_looks_different_and_says_so(
    opens: Opener, url: str, desk: FakeDesk
) -> None:
    stations = calm()["stations"]
    stations[0]["water"][0].update(flow_l_min=None, u_flow_l_min=None, state="silent")
    stations[0]["solids"].update(share=None, u=None, why="not all of its water was measured")
    desk.show(stations=stations)
    strips = opens(url).page.locator(".water")
    look = "node => getComputedStyle(node).borderLeftStyle"
    assert [strips.nth(i).evaluate(look) for i in range(3)] == ["dashed", "solid", "dashed"]
    assert "silent: not measured" in strips.nth(0).inner_text()
    assert "not all of its water was measured" in strips.nth(2).inner_text()


@pytest.mark.parametrize(("l_min", "share", "said"), [(9.0, 0.2, "▼ too little"), (20.0, 0.41, "▲ too much")])
def test_water_out_of_its_band_has_a_word_and_a_sign(
    l_min: float, share: float, said: str, opens: Opener, url: str, desk: FakeDesk
) -> None:
    stations = calm()["stations"]
    stations[0]["water"][0].update(flow_l_min=l_min)
    stations[0]["solids"].update(share=share)
    desk.show(stations=stations)
    strips = opens(url).page.locator(".water")
    assert said in strips.nth(0).inner_text()
    assert ("▲ too thick" in strips.nth(2).inner_text()) == (share > 0.35)


WHERE_THE_RATE_LIES = """() => {
  const middle = node => { const box = node.getBoundingClientRect(); return box.x + box.width / 2; };
  const zone = document.querySelector(".band-zone").getBoundingClientRect();
  const now = middle(document.querySelector(".band-now"));
  return now < zone.left ? "left" : now > zone.right ? "right" : "inside";
}"""


def test_the_band_is_drawn_true(opens: Opener, url: str, desk: FakeDesk) -> None:
    """The mark stands inside the band exactly when the rate (kg/h) does; words say the same."""
    seen = opens(url)
    cases = [(61.8, "within its band", "inside"), (50.0, "▼ below", "left"), (90.0, "▲ above", "right")]
    cases += [(54.0, "within its band", "inside"), (66.1, "▲ above", "right"), (-3.0, "▼ below", "left")]
    for rate, words, lies in cases:
        stations = calm()["stations"]
        stations[0]["feed"]["rate_kg_h"] = rate
        desk.show(stations=stations)
        expect(seen.page.locator(".feed .key")).to_have_text(f"{rate:.1f}".replace("-", "−"))
        assert words in seen.text(".feed")
        assert seen.page.evaluate(WHERE_THE_RATE_LIES) == lies


def test_the_container_is_drawn_as_full_as_it_is(opens: Opener, url: str, desk: FakeDesk) -> None:
    """The pail's wall is 56 high; over the brim it is drawn full and the words say to change it."""
    seen = opens(url)
    for fill, top, words in [
        (0.0, 60, "0 % full"),
        (0.5, 32, "50 % full"),
        (1.4, 4, "140 % full: change it"),
    ]:
        stations = calm()["stations"]
        stations[0]["outlets"][0]["fill"] = fill
        desk.show(stations=stations)
        expect(seen.page.locator(".outlet .under").first).to_contain_text(words)
        assert float(seen.page.locator(".pail-fill").first.get_attribute("y") or "nan") == top


def test_nothing_known_is_no_trouble(opens: Opener, url: str, desk: FakeDesk) -> None:
    """Every value null, every list empty: dashes and plain words, no error."""
    desk.show(**{key: value for key, value in bare().items() if key != "seq"})
    seen = opens(url)
    assert seen.complaints == []
    assert "none open" in seen.text(".lot")
    assert "no run open" in seen.text(".run")
    assert seen.page.locator(KEY_FIGURES).all_inner_texts() == ["–"] * 4
    for odd in ("NaN", "null", "undefined"):
        assert odd not in seen.text("body")


def test_times_are_the_bays(opens: Opener, url: str) -> None:
    """13:40 in the bay's zone (UTC+1 in May), whatever zone the browser lives in."""
    assert seen_time(opens(url)).startswith("13:40")


def seen_time(seen: Seen) -> str:
    return seen.text("header .clock")


def test_hostile_text_is_inert(opens: Opener, url: str, desk: FakeDesk) -> None:
    """Markup from an instrument or a lot's name is shown as text; marks that reorder it are replaced."""
    desk.show(**{key: value for key, value in hostile().items() if key != "seq"})
    seen = opens(url)
    seen.page.wait_for_selector(".alarm")
    assert seen.page.evaluate("window.hacked") is None
    assert seen.page.locator("img, body script").count() == 0
    assert "<script>" in seen.text(".alarm-what")
    assert "\u202e" not in seen.text("body")
    assert "\ufffd" in seen.text(".alarm-what")
    assert seen.complaints == []
    assert {request.startswith(url) for request in seen.requests} == {True}


def test_a_flood_of_text_is_cut(opens: Opener, url: str, desk: FakeDesk) -> None:
    instruments = calm()["instruments"]
    instruments[0]["message"] = "x" * 100_000
    desk.show(instruments=instruments)
    assert len(opens(url).text("#instruments")) < 2000


QUICK = {
    ("calm", "panel", False),
    ("alarm", "panel", True),
    ("alarm", "phone", False),
    ("form", "panel", False),
}
AXE_STATES = [
    pytest.param(*case, marks=[] if case in QUICK else [pytest.mark.full])
    for case in product(("calm", "alarm", "form", "bare"), ("panel", "phone", "wide"), (False, True))
]


@pytest.mark.parametrize(("state", "size", "dark"), AXE_STATES)
def test_axe_finds_nothing(
    state: str, size: str, dark: bool, opens: Opener, url: str, desk: FakeDesk
) -> None:
    """axe-core's rules for WCAG 2.2 A and AA, in each state of the page, light and dark."""
    snapshot: dict[str, Any] = {"calm": calm, "alarm": alarming, "form": alarming, "bare": bare}[state]()
    desk.show(**{key: value for key, value in snapshot.items() if key != "seq"})
    seen = opens(url, size, dark)
    if state == "form":
        seen.page.get_by_role("button", name="Open a lot").click()
    found = Axe().run(seen.page).response["violations"]
    assert [(rule["id"], [node["target"] for node in rule["nodes"]]) for rule in found] == []


def test_targets_are_large(opens: Opener, url: str, desk: FakeDesk) -> None:
    """WCAG 2.2, 2.5.8 asks for 24 px; wet gloves for more: 44, and 70 to acknowledge."""
    desk.show(alarms=alarming()["alarms"])
    seen = opens(url)
    seen.page.wait_for_selector(".ack")
    sizes = seen.page.evaluate(
        "Array.from(document.querySelectorAll('main button')).filter(n => n.offsetParent)"
        ".map(n => [n.className, Math.min(n.offsetWidth, n.offsetHeight)])"
    )
    assert len(sizes) > 8
    assert min(px for _, px in sizes) >= 44
    assert min(px for name, px in sizes if "ack" in name.split()) >= 70


@pytest.mark.parametrize(("motion", "animation"), [(False, "none"), (True, "lift")])
def test_motion_only_where_it_is_welcome(
    motion: bool, animation: str, opens: Opener, url: str, desk: FakeDesk
) -> None:
    """prefers-reduced-motion is kept."""
    desk.show(alarms=alarming()["alarms"])
    seen = opens(url, motion=motion)
    mark = seen.page.locator(".alarm[data-state=unacknowledged] .mark")
    assert mark.evaluate("node => getComputedStyle(node).animationName") == animation


def test_figures_have_the_digits_their_uncertainty_bears(opens: Opener, url: str) -> None:
    """One digit of the uncertainty, two where the first is a 1 (common practice, no source)."""
    given = [
        [9.3164, 0.0123],
        [9.3164, 0.05],
        [9.3164, 0.951],
        [931.64, 12.0],
        [931.64, 30],
        [5, 0],
        [5, None],
    ]
    said = opens(url).page.evaluate(
        """async given => {
          const { Units } = await import("/static/figures.js");
          return given.map(([value, u]) => new Units("kg").massText(value, u));
        }""",
        given,
    )
    assert said == [
        "9.316 ± 0.012 kg",
        "9.32 ± 0.05 kg",
        "9.3 ± 1.0 kg",
        "932 ± 12 kg",
        "932 ± 30 kg",
        "5.00 ± 0.00 kg",
        "5.00 kg",
    ]


def test_spans_of_time_read_plainly(opens: Opener, url: str) -> None:
    said = opens(url).page.evaluate(
        """async given => {
          const { duration, runClock } = await import("/static/figures.js");
          return given.map(s => [duration(s), runClock(s)]);
        }""",
        [0, 48.4, 100, 5399, 5400, 7199, 86399, None],
    )
    assert said == [
        ["0 s", "0:00:00"],
        ["48 s", "0:00:48"],
        ["2 min", "0:01:40"],
        ["90 min", "1:29:59"],
        ["1 h 30 min", "1:30:00"],
        ["2 h 0 min", "1:59:59"],
        ["24 h 0 min", "23:59:59"],
        ["–", "–"],
    ]
