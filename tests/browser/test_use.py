"""The page in use: alarms and acknowledging, forms, keys, and a daemon that is lost and found."""

from __future__ import annotations

import re
import time
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page, expect

from logger.board.desk import Answer
from tests.board.fake_desk import FakeDesk, served
from tests.board.snapshots import NEAR_FULL, SILENT, STOPPED, alarming, calm
from tests.browser.conftest import Opener

pytestmark = pytest.mark.browser


def acknowledging(desk: FakeDesk) -> None:
    """Let the desk do what the fold does when an alarm is acknowledged."""

    def acknowledged(action: dict[str, Any]) -> None:
        alarms = [
            {**alarm, "state": "acknowledged"} if action.get("alarm") in {alarm["id"], "all"} else alarm
            for alarm in desk.snapshot()["alarms"]
        ]
        desk.show(alarms=alarms)

    desk.on_submit = acknowledged


def said(desk: FakeDesk) -> list[dict[str, Any]]:
    """What was submitted, without the ids."""
    return [
        {key: value for key, value in action.items() if key not in {"id", "who"}}
        for action, _ in desk.submitted
    ]


def button(page: Page, name: str) -> Any:
    return page.get_by_role("button", name=name, exact=True)


def test_an_alarm_appears_and_is_acknowledged(opens: Opener, url: str, desk: FakeDesk) -> None:
    """What, where, since when, what to do, how sure; one button; then it stands quietly."""
    acknowledging(desk)
    page = opens(url).page
    assert page.title() == "sweepings bay"
    desk.show(alarms=[STOPPED])
    row = page.locator(".alarm")
    expect(row).to_contain_text("The concentrate outlet has stopped delivering.")
    expect(row).to_contain_text("Stop the feed, then look for a plug")
    expect(row).to_contain_text("table · concentrate · scale-1")
    expect(row).to_contain_text("since 13:38, 2 min ago")
    expect(row).to_contain_text("expected 6.6 kg/h · seen 0 kg/h")
    expect(row).to_contain_text("Not acknowledged")
    expect(page).to_have_title("(1) sweepings bay")
    expect(page.locator("#announce")).to_contain_text("stopped delivering")
    expect(page.locator(".outlet.marked h3")).to_have_count(1)
    row.get_by_role("button").click()
    expect(row.locator(".alarm-state")).to_have_text("Acknowledged")
    expect(row.get_by_role("button")).to_have_text(["Quiet for 15 minutes"])
    expect(page).to_have_title("sweepings bay")
    assert said(desk) == [{"action": "acknowledge", "alarm": STOPPED["id"]}]


def test_an_alarm_is_shown_within_a_quarter_second(opens: Opener, url: str, desk: FakeDesk) -> None:
    """From the snapshot to the row on the page, the median of five."""
    page = opens(url).page
    waits = []
    for number in range(5):
        began = time.monotonic()
        desk.show(alarms=[{**STOPPED, "id": f"a{number}"}])
        page.wait_for_selector(f".alarm[data-key=a{number}]")
        waits.append(time.monotonic() - began)
    assert sorted(waits)[2] < 0.25


def test_key_a_takes_the_first_and_shift_a_all(opens: Opener, url: str, desk: FakeDesk) -> None:
    acknowledging(desk)
    page = opens(url).page
    page.get_by_label("Single keys").check()
    desk.show(alarms=[NEAR_FULL, SILENT, STOPPED])
    expect(page.locator(".alarm")).to_have_count(3)
    assert page.locator(".alarm").first.inner_text().startswith("Not acknowledged")
    page.keyboard.press("a")
    expect(page.locator(".ack:visible")).to_have_count(1)
    page.keyboard.press("Shift+A")
    expect(page.locator(".ack:visible")).to_have_count(0)
    assert [action["alarm"] for action in said(desk)] == [STOPPED["id"], "all"]


def test_key_a_is_a_letter_in_a_form(opens: Opener, url: str, desk: FakeDesk) -> None:
    page = opens(url).page
    page.get_by_label("Single keys").check()
    desk.show(alarms=[STOPPED])
    expect(page.locator(".alarm")).to_have_count(1)
    button(page, "Note").click()
    page.keyboard.type("a pan of sand")
    assert page.get_by_label("What to remember").input_value() == "a pan of sand"
    assert desk.submitted == []


def test_focus_goes_on_after_acknowledging(opens: Opener, url: str, desk: FakeDesk) -> None:
    """The button that had focus is gone: focus moves to the next one, then to the heading."""
    acknowledging(desk)
    page = opens(url).page
    desk.show(alarms=[STOPPED, SILENT])
    expect(page.locator(".ack")).to_have_count(2)
    page.locator(".ack").first.focus()
    page.keyboard.press("Enter")
    expect(page.locator(".ack:visible")).to_have_count(1)
    expect(page.locator(".ack:visible")).to_be_focused()
    page.keyboard.press("Enter")
    expect(page.locator("#alarms-title")).to_be_focused()


def test_focus_survives_new_figures(opens: Opener, url: str, desk: FakeDesk) -> None:
    """Nodes are kept, not built anew: who stands on a button keeps standing there."""
    page = opens(url).page
    first = page.get_by_role("button", name="It was product").first
    first.focus()
    for _ in range(3):
        desk.show(bay=f"bay {desk.snapshot()['seq']}")
        expect(page.locator("h1")).to_have_text(desk.snapshot()["bay"])
    expect(first).to_be_focused()


def test_every_stop_of_tab_is_seen(opens: Opener, url: str, desk: FakeDesk) -> None:
    """WCAG 2.4.7: each control that Tab reaches has a visible outline; all buttons are reached."""
    page = opens(url).page
    desk.show(alarms=[STOPPED])
    expect(page.locator(".alarm")).to_have_count(1)
    names = []
    for _ in range(12):
        page.keyboard.press("Tab")
        name, style, width = page.evaluate(
            "[document.activeElement.textContent, getComputedStyle(document.activeElement).outlineStyle,"
            " parseFloat(getComputedStyle(document.activeElement).outlineWidth)]"
        )
        names.append(name)
        assert (style, width >= 3) == ("solid", True), name
    sound = ["Sound on: tap to hear the test tone", "Leave it off"]
    lots = ["Acknowledge", "Open a lot", "Start a run"]
    assert names[:9] == sound + lots + ["Container set", "Container …", "Settings", "Note"]


def test_states_beside_the_screen_are_folded_away(opens: Opener, url: str, desk: FakeDesk) -> None:
    """Shelved and suppressed alarms are counted, and can be looked at."""
    page = opens(url).page
    excused = {**STOPPED, "state": "suppressed", "suppressed_by": "all other outlets fell short as well"}
    desk.show(alarms=[excused, {**NEAR_FULL, "state": "shelved", "why": "a larger bag is coming"}])
    expect(page.locator("#quiet summary")).to_contain_text("2 shelved, suppressed")
    expect(page.locator("#alarms-title")).to_have_text("No alarm stands")
    page.locator("#quiet summary").click()
    expect(page.locator("#quiet-list")).to_contain_text("Suppressed by design: The concentrate outlet")
    expect(page.locator("#quiet-list")).to_contain_text("all other outlets fell short as well")
    expect(page.locator("#quiet-list")).to_contain_text("a larger bag is coming")
    assert page.locator("#quiet-list button:visible").all_inner_texts() == ["End the silence"]


def test_what_is_silent_by_hand_is_called_back_on_the_board(opens: Opener, url: str, desk: FakeDesk) -> None:
    """Shelved and out of service have a way back; what is suppressed by design has none."""
    page = opens(url).page
    desk.show(alarms=[{**STOPPED, "state": "out-of-service"}, {**NEAR_FULL, "state": "shelved"}])
    page.locator("#quiet summary").click()
    page.get_by_role("button", name="Return to service").click()
    page.get_by_role("button", name="End the silence").click()
    expect(page.locator("#quiet-list button:visible")).to_have_count(2)
    desk_said = [(action["action"], action["alarm"]) for action in said(desk)]
    assert desk_said == [("return-to-service", STOPPED["id"]), ("unshelve", NEAR_FULL["id"])]


def test_an_acknowledged_alarm_can_be_made_quiet_for_a_while(opens: Opener, url: str, desk: FakeDesk) -> None:
    page = opens(url).page
    desk.show(alarms=[STOPPED])
    expect(page.locator(".alarm")).to_have_count(1)
    assert page.locator(".shelve:visible, .reset:visible").count() == 0
    desk.show(alarms=[{**STOPPED, "state": "acknowledged"}])
    page.get_by_role("button", name="Quiet for 15 minutes").click()
    expect(page.locator("#said-last")).to_have_text("Quiet for 15 minutes: Recorded.")
    assert [(each["action"], each["minutes"]) for each in said(desk)] == [("shelve", 15)]


def test_a_latched_alarm_stands_calmly_until_it_is_put_right(opens: Opener, url: str, desk: FakeDesk) -> None:
    """It is over and was seen: no call, no acknowledging, but it stays, with one button to let it go."""
    page = opens(url).page
    desk.show(alarms=[{**STOPPED, "state": "latched", "active": False}, NEAR_FULL])
    expect(page.locator(".alarm").last).to_contain_text("Over, still to be put right")
    assert page.locator(".alarm").last.get_attribute("data-state") == "latched"
    assert page.locator(".alarm").last.locator(".ack").is_hidden()
    page.get_by_role("button", name="It is put right").click()
    expect(page.locator("#said-last")).to_have_text("Put right: Recorded.")
    (each,) = said(desk)
    assert (each["action"], each["alarm"]) == ("reset-alarm", STOPPED["id"])


def test_a_flood_leaves_the_first_large(opens: Opener, url: str, desk: FakeDesk) -> None:
    """Ten alarms (a flood by EEMUA 191): the first at full size, the rest small, all within reach."""
    page = opens(url).page
    desk.show(alarms=[{**STOPPED, "id": f"a{number}"} for number in range(10)])
    expect(page.locator(".alarm")).to_have_count(10)
    heights = page.evaluate("Array.from(document.querySelectorAll('.alarm')).map(n => n.offsetHeight)")
    assert heights[0] > 1.3 * max(heights[1:])
    assert page.locator(".ack:visible").count() == 10


def test_an_unknown_state_is_shown_not_hidden(opens: Opener, url: str, desk: FakeDesk) -> None:
    page = opens(url).page
    desk.show(alarms=[{**STOPPED, "state": "brand-new"}])
    expect(page.locator(".alarm-state")).to_contain_text("brand-new")


def test_not_recorded_is_said_large(opens: Opener, url: str, desk: FakeDesk) -> None:
    page = opens(url).page
    desk.show(recording=alarming()["recording"])
    record = page.locator(".record")
    expect(record).to_have_text("✕ NOT RECORDED, 412 entries held in memory: the disk is full")
    assert float(record.evaluate("node => parseFloat(getComputedStyle(node).fontSize)")) >= 24


def test_a_lot_is_opened(opens: Opener, url: str, desk: FakeDesk) -> None:
    """A bare number is in the unit that the label names; a decimal comma is read."""
    page = opens(url).page
    desk.show(units="lb")
    expect(page.locator(".unit").last).to_have_text("lb")
    button(page, "Open a lot").click()
    page.get_by_label("Lot", exact=True).fill("L-0413")
    page.get_by_label("Owner's reference").fill("PO 7790")
    page.get_by_label("Gross, lb").fill("100,5")
    page.get_by_label("Tare, lb").fill("2 kg")
    page.get_by_label("Moisture").fill("6")
    page.keyboard.press("Enter")
    expect(page.locator("#said-last")).to_have_text("Open a lot: Recorded.")
    expect(page.locator("dialog[open]")).to_have_count(0)
    (action,) = said(desk)
    assert action["gross"] == pytest.approx(100.5 * 0.45359237)
    assert (action["tare"], action["moisture"], action["owner"]) == (2.0, 0.06, "PO 7790")


def test_a_fault_is_shown_beside_its_field(opens: Opener, url: str, desk: FakeDesk) -> None:
    """The form stays open, what was typed stays, and Escape leaves without a word."""
    page = opens(url).page
    button(page, "Open a lot").click()
    page.get_by_label("Lot", exact=True).fill("L-0413")
    page.get_by_label("Gross, kg").fill("a lot")
    button(page, "Enter").click()
    expect(page.locator("#d-open-lot .form-faults")).to_contain_text("gross:")
    expect(page.get_by_label("Gross, kg")).to_have_attribute("aria-invalid", "true")
    assert page.get_by_label("Lot", exact=True).input_value() == "L-0413"
    page.keyboard.press("Escape")
    expect(page.locator("dialog[open]")).to_have_count(0)
    assert desk.submitted == []


def test_a_refusal_is_told(opens: Opener, url: str, desk: FakeDesk) -> None:
    desk.answer = Answer(False, "a run is open already")
    page = opens(url).page
    button(page, "Start a run").click()
    button(page, "Enter").click()
    expect(page.locator("#d-start-run .form-faults")).to_contain_text("a run is open already")


def test_a_forgotten_start_is_told_in_minutes(opens: Opener, url: str, desk: FakeDesk) -> None:
    """Ten minutes before the daemon's time (12:40), not the browser's."""
    desk.lots_list = [{"lot": "L-0412"}]
    page = opens(url).page
    button(page, "Start a run").click()
    page.get_by_label("Lot (none: a trial)").fill("L-0412")
    page.get_by_label("It began this many minutes ago").fill("10")
    button(page, "Enter").click()
    expect(page.locator("#said-last")).to_contain_text("Recorded")
    (action,) = said(desk)
    assert (action["action"], action["station"], action["lot"]) == ("start-run", "table", "L-0412")
    assert action["time"].startswith("2030-05-04T12:30:0")


def test_the_other_forms(opens: Opener, url: str, desk: FakeDesk) -> None:
    """End of run, container set, settings and a note each give their action."""
    page = opens(url).page
    button(page, "End the run").click()
    button(page, "Enter").click()
    expect(page.locator("#said-last")).to_have_text("End the run: Recorded.")
    button(page, "Container set").click()
    page.locator("#d-container-set").get_by_label("Outlet").select_option("middlings")
    button(page, "Enter").click()
    expect(page.locator("#said-last")).to_contain_text("A fresh container")
    button(page, "Settings").click()
    form = page.locator("#d-settings")
    form.get_by_label("Value").first.fill("5°")
    form.get_by_label("Name").nth(2).fill("wash water")
    form.get_by_label("Value").nth(2).fill("14 L/min")
    button(page, "Enter").click()
    expect(page.locator("#said-last")).to_contain_text("Settings")
    button(page, "Note").click()
    page.get_by_label("What to remember").fill("deck squeaks")
    button(page, "Enter").click()
    expect(page.locator("#said-last")).to_contain_text("Note")
    assert said(desk) == [
        {"action": "end-run", "station": "table"},
        {"action": "container-set", "station": "table", "outlet": "middlings"},
        {
            "action": "settings",
            "station": "table",
            "values": {"tilt": "5°", "stroke": "14 mm", "wash water": "14 L/min"},
        },
        {"action": "note", "station": "table", "text": "deck squeaks", "photographs": []},
    ]
    assert {who for _, who in desk.submitted} == {"board"}


def test_only_weighed_outlets_take_a_container(opens: Opener, url: str) -> None:
    page = opens(url).page
    button(page, "Container set").click()
    assert page.locator("#d-container-set [name=outlet] option").all_inner_texts() == [
        "concentrate",
        "middlings",
    ]


def test_what_was_recognised_is_corrected(opens: Opener, url: str, desk: FakeDesk) -> None:
    page = opens(url).page
    expect(page.locator("#recognised li").first).to_contain_text("middlings · container changed 13:21")
    page.locator("#recognised li").first.get_by_role("button", name="It was not product").click()
    expect(page.locator("#said-last")).to_contain_text("Recorded")
    page.locator("#recognised li").nth(1).get_by_role("button", name="It was product").click()
    expect(page.locator("#said-last")).to_contain_text("hopper#2")
    assert said(desk) == [
        {"action": "correct", "recognised": "scale-2#3", "was": "nothing", "why": ""},
        {"action": "correct", "recognised": "hopper#2", "was": "product", "why": ""},
    ]


def test_not_recorded_yet_is_told(opens: Opener, url: str, desk: FakeDesk) -> None:
    desk.answer = Answer(True, recorded=False)
    page = opens(url).page
    button(page, "End the run").click()
    button(page, "Enter").click()
    expect(page.locator("#said-last")).to_contain_text("not yet recorded")


def test_a_lost_daemon_is_said_and_found_again(opens: Opener, own_desk: FakeDesk) -> None:
    """Within five seconds, in large words, with the age; figures marked old; then all by itself back,
    with a new session that can act."""
    with served(own_desk) as first, own_desk.beat():
        port = int(first.url.rsplit(":", 1)[1].strip("/"))
        seen = opens(first.url)
        page = seen.page
        expect(page.locator("#lost")).to_be_hidden()
    began = time.monotonic()
    page.wait_for_selector("#lost:not([hidden])", timeout=5000)
    assert time.monotonic() - began < 5
    expect(page.locator(".lost-what")).to_have_text("No word from the daemon")
    assert page.locator(".lost-what").evaluate("n => parseFloat(getComputedStyle(n).fontSize)") >= 60
    expect(page.locator(".lost-age")).to_contain_text("old: 3 s", timeout=6000)
    mark = page.locator(".outlet .pm").first.evaluate("n => getComputedStyle(n, '::after').content")
    assert mark == '"old"'
    assert Axe().run(page).response["violations"] == []
    assert [line for line in seen.complaints if "ERR_CONNECTION_REFUSED" not in line] == []
    found = FakeDesk({**calm(), "bay": "found again", "seq": 500})
    with served(found, port), found.beat():
        expect(page.locator("h1")).to_have_text("found again")
        expect(page.locator("#lost")).to_be_hidden()
        button(page, "End the run").click()
        button(page, "Enter").click()
        expect(page.locator("#said-last")).to_have_text("End the run: Recorded.")


def test_a_hung_daemon_is_lost_too(opens: Opener, own_desk: FakeDesk) -> None:
    """The connection stands but nothing comes: said within five seconds all the same."""
    with served(own_desk) as board, own_desk.beat():
        page = opens(board.url).page
        assert board._loop is not None
        board._loop.call_soon_threadsafe(time.sleep, 4.5)
        page.wait_for_selector("#lost:not([hidden])", timeout=5000)
        expect(page.locator(".lost-what")).to_have_text("No word from the daemon")
        expect(page.locator("#lost")).to_be_hidden()


def test_a_loop_that_stands_still_is_told(opens: Opener, own_desk: FakeDesk) -> None:
    """The board answers but no new snapshot comes: that is said as what it is."""
    with served(own_desk) as board:
        page = opens(board.url).page
        expect(page.locator(".lost-what")).to_have_text("The daemon stands still", timeout=9000)
        expect(page.locator(".lost-age")).to_contain_text(re.compile(r"old: ([6-9]|1\d) s"))
        with own_desk.beat():
            expect(page.locator("#lost")).to_be_hidden()


def test_an_action_without_an_answer_keeps_its_id(opens: Opener, url: str, desk: FakeDesk) -> None:
    """Entered again after a time-out it carries the same id, so it is taken once; a changed one does not."""
    desk.answer = TimeoutError()
    page = opens(url).page
    button(page, "Note").click()
    page.get_by_label("What to remember").fill("first")
    for count in (1, 2):
        button(page, "Enter").click()
        expect(page.locator("#d-note .form-faults")).to_contain_text("same id")
        page.wait_for_function("() => !document.querySelector('#d-note [type=submit]').disabled")
        assert len(desk.submitted) == count
    page.get_by_label("What to remember").fill("second")
    button(page, "Enter").click()
    page.wait_for_function("() => !document.querySelector('#d-note [type=submit]').disabled")
    ids = [action["id"] for action, _ in desk.submitted]
    assert ids[0] == ids[1] != ids[2]


def test_a_new_version_brings_its_own_page(opens: Opener, url: str, desk: FakeDesk) -> None:
    """After an update of the daemon the page loads itself anew."""
    page = opens(url).page
    with page.expect_navigation():
        desk.show(version="0.1-newer")
    expect(page.locator(".version")).to_have_text("Tallydeck 0.1-newer")
