"""What a person says of the containers, through the fold: findings, tallies, refusals, alarms, restarts."""

from __future__ import annotations

import json
from functools import cache
from typing import Any

import pytest

from logger.core.actions import BODY
from logger.core.bay import Bay
from logger.core.description import Bay as BayDescription
from logger.core.description import Channel, Container, ContainerKind, Feed, FeedKind, Outlet, Station
from logger.core.entries import Action, Entry, Finding, Reading, Tick
from logger.journal.checkpoint import freeze, thaw
from logger.simulator import scenario as sim
from logger.simulator import troubles as t
from logger.simulator.trace import Trace, make_trace
from tests.core.folding import NS, T0, T0_S, reading

END_S = 900
DEEDS = (
    t.ContainerChange(400, "concentrate", without_s=9.0),
    t.SampleTaken(560, "concentrate", 0.12),
    t.Decanted(500, "middlings", 0.2),
    t.ContainerChange(600, "tailings", without_s=120.0),
    t.SampleTaken(450, "fines", 0.2),
)
SAID = (
    (400, {"action": "container-changed", "outlet": "concentrate"}),
    (560, {"action": "sample-taken", "outlet": "concentrate", "sample": "C-1"}),
    (500, {"action": "decanted", "outlet": "middlings"}),
    (600, {"action": "container-away", "outlet": "tailings"}),
    (450, {"action": "sample-taken", "outlet": "fines", "sample": "F-1", "mass": "200 g"}),
)
OUTLETS = (
    ("concentrate", 0.15, 8.8, "drains", 0.9, 1.1),
    ("middlings", 0.2, 4.5, "retains", 0.9, 1.1),
    ("tailings", 0.55, 2.65, "drains", 2.2, 2.8),
    ("fines", 0.06, 2.6, "brim-full", 0.9, 1.1),
)


@cache
def trace(seed: int) -> Trace:
    scale = sim.Scale(resolution_kg=0.005, noise_kg=0.002, vibration_kg=0.002, capacity_kg=60)
    outlets = tuple(
        sim.Outlet(
            name, share, 15.0, 10.0, lump_g=2.0, density=density, scale=scale,
            vessel=sim.Vessel(kind, low, high, full_kg=50.0, entrained=0.2, drain_s=15.0,
                              fill_water_kg=8.0 if kind == "brim-full" else 0.0),
        )
        for name, share, density, kind, low, high in OUTLETS
    )  # fmt: skip
    tray = sim.Outlet("tray", 0.04, 10.0, 10.0, scale=None, vessel=sim.Vessel("retains", full_kg=1e9))
    said = sim.Scenario(
        "said",
        sim.Feed(),
        (*outlets, tray),
        water=None,
        troubles=DEEDS,
        tends_s=0.0,
        feed_from_s=20.0,
    )
    return make_trace(said, seed, END_S)


def description() -> BayDescription:
    channels = [Channel("feed", resolution_kg=0.01), *(Channel(o[0], capacity_kg=60.0) for o in OUTLETS)]
    outlets = [
        Outlet(
            name,
            name,
            Container(ContainerKind(kind), (low + high) / 2 if kind == "drains" else None),
            solids_density=density,
        )
        for name, _, density, kind, low, high in OUTLETS
    ]
    feed = Feed(FeedKind.HOPPER, "feed", target_kg_h=60.0)
    station = Station("table", feed, (*outlets, Outlet("tray")))
    return BayDescription("bay", (station,), tuple(channels))


def action(at_s: float, said: dict[str, Any]) -> Action:
    body = BODY.validate_python(said)
    return Action(T0 + round(at_s * NS), body, body.id)


def listed(seed: int, late_s: float | None) -> list[Entry]:
    """The trace in a run, with what is said so late (None: never)."""
    found: list[Entry] = [reading(*line) for line in trace(seed).readings]
    found += [action(30.0, {"action": "start-run"}), action(END_S - 1.0, {"action": "end-run"})]
    if late_s is not None:
        found += [action(at_s + late_s, said) for at_s, said in SAID]
    found.sort(key=lambda entry: entry.at_ns)
    return [entry._replace(seq=number) for number, entry in enumerate(found, 1)]


def fold(bay: Bay, entries: list[Entry]) -> list[Finding]:
    found = [finding for entry in entries for finding in bay.apply(entry)]
    return found + bay.finish()


@cache
def folded(seed: int, late_s: float | None) -> tuple[Bay, list[Finding]]:
    bay = Bay(description())
    return bay, fold(bay, listed(seed, late_s))


def text(found: list[Finding]) -> str:
    return "\n".join(json.dumps(finding, ensure_ascii=False) for finding in found)


def of(found: list[Finding], kind: str) -> list[dict[str, Any]]:
    return [finding.data for finding in found if finding.kind == kind]


def told(found: list[Finding]) -> dict[str, dict[str, Any]]:
    return {data["what"]: data for data in of(found, "recognised") if data.get("told")}


def errors(seed: int, late_s: float | None) -> dict[str, tuple[float, float]]:
    """By outlet: how far its tally is from the truth (kg), and its own uncertainty."""
    bay, found = folded(seed, late_s)
    outlets = bay.run_tally(bay.books.runs["run-1"])["outlets"]
    true = trace(seed).truth
    beside = true.lost_kg["tailings"][END_S - 1]
    truth = {name: true.reported_kg[name][END_S - 1] - true.reported_kg[name][30] for name in outlets}
    truth["tailings"] -= beside
    water = told(found)["decanted"]
    truth["middlings"] -= 0.2
    assert water["water_kg"] == pytest.approx(0.2, abs=2 * water["water_u_kg"] + 0.01)
    off = {
        name: (outlets[name]["delivered_kg"] - kg, outlets[name]["u_kg"])
        for name, kg in truth.items()
        if name != "tray"
    }
    off["beside"] = outlets["tailings"]["not_caught_kg"] - beside, 0.12 * beside
    return off


LATE = pytest.mark.parametrize("late_s", [-30, 1, 12, 50])


@LATE
def test_masses_are_right_whenever_it_is_said(late_s: float) -> None:
    """Early, during the deed, right after it and most of a minute late."""
    for name, (off, u) in errors(1, late_s).items():
        assert abs(off) <= 2.5 * u, name


@pytest.mark.full
@pytest.mark.timeout(1200)
def test_masses_are_right_on_many_bays() -> None:
    """95 of 100 within twice their stated uncertainty."""
    found = [
        pair for seed in range(2, 14) for late_s in (-30, 12, 50) for pair in errors(seed, late_s).values()
    ]
    assert sum(abs(off) <= 2 * u for off, u in found) >= 0.9 * len(found)


@LATE
def test_each_thing_said_is_told_once_under_the_id_it_was_recognised_by(late_s: float) -> None:
    """Sample masses, water and what fell beside stand in the finding."""
    _, found = folded(1, late_s)
    what = told(found)
    assert {"container-changed", "sample-taken", "decanted", "container-away"} == set(what)
    assert of(found, "refused") == of(found, "unseen") == []
    samples = {s["sample"]: s for s in of(found, "sample") if not s["pending"]}
    assert samples["F-1"]["mass_kg"] == 0.2
    assert samples["C-1"]["mass_kg"] == pytest.approx(0.12, abs=max(0.02, 2 * samples["C-1"]["u_kg"]))
    assert samples["C-1"]["id"].startswith("concentrate#")
    assert {s["run"] for s in samples.values()} == {"run-1"}


def test_saying_it_late_gives_the_tally_of_having_said_it_in_time() -> None:
    """To the milligram, but for what was taken for product in a brim-full container meanwhile."""
    early, late = (folded(1, s)[0] for s in (1, 50))
    one, other = (bay.run_tally(bay.books.runs["run-1"])["outlets"] for bay in (early, late))
    for name in ("concentrate", "middlings", "tailings"):
        assert one[name]["delivered_kg"] == pytest.approx(other[name]["delivered_kg"], abs=2e-6)


def test_the_missing_container_is_known_and_does_not_sound() -> None:
    _, silent = folded(1, None)
    _, said = folded(1, 1)
    raised = [
        [a["state"] for a in of(found, "alarm") if a["kind"] == "container-missing"]
        for found in (silent, said)
    ]
    assert raised[0][:1] == ["raised"]
    assert "raised" not in raised[1]
    assert "suppressed" in raised[1]


def test_folding_again_gives_the_same_findings_to_the_byte() -> None:
    assert text(fold(Bay(description()), listed(1, -30))) == text(folded(1, -30)[1])


def test_a_restart_while_something_is_waited_for_changes_nothing() -> None:
    """Frozen and thawed between what was said and the step it is about, and while a container is away."""
    entries = listed(1, -30)
    cuts = {
        next(i for i, entry in enumerate(entries) if entry.at_ns >= T0 + at_s * NS)
        for at_s in (372, 401, 405, 425, 480, 501, 535, 575, 601, 660, 719)
    }
    bay, found = Bay(description()), list[Finding]()
    for number, entry in enumerate(entries):
        if number in cuts:
            bay = thaw(freeze(bay))
        found += bay.apply(entry)
    assert text(found + bay.finish()) == text(folded(1, -30)[1])


# ---------------------------------------------------------------- a bay at rest


@pytest.fixture
def bay() -> Bay:
    """A minute of a steady weight on every scale; nothing flows."""
    bay = Bay(description())
    rest(bay, 0, 60)
    return bay


def rest(bay: Bay, from_s: int, to_s: int) -> list[Finding]:
    found = []
    for tenth in range(from_s * 5, to_s * 5):
        for channel in bay.channels:
            shown = 1500 if channel == "concentrate" and tenth >= 5 * 80 else 2000
            found += bay.apply(Reading(T0 + tenth * NS // 5, channel, shown, -3, "kg", True))
    return found


def say(bay: Bay, at_s: float, seq: int = 0, **said: Any) -> list[Finding]:
    return bay.apply(action(at_s, said)._replace(seq=seq))


def reason(found: list[Finding]) -> str:
    assert [finding.kind for finding in found] == ["refused"]
    return str(found[0].data["reason"])


def test_a_button_pressed_twice_is_one_thing_said(bay: Bay) -> None:
    first = say(bay, 60, 7, action="decanted", outlet="concentrate", id="a")
    second = say(bay, 64, 8, action="decanted", outlet="concentrate", id="b")
    other = say(bay, 64.5, 9, action="decanted", outlet="tailings", id="c")
    assert [f.kind for f in first + second + other] == ["decanted", "repeated", "decanted"]
    assert second[0].data == {"seq": 7}


def test_the_next_step_answers_what_was_said(bay: Bay) -> None:
    """It keeps one id, is shown once, last, and can be corrected."""
    assert say(bay, 60, action="sample-taken", outlet="concentrate", sample="S")[0].data["pending"]
    found = rest(bay, 60, 100)
    assert [(f.kind, f.subject) for f in found] == [("recognised", "concentrate"), ("sample", "concentrate")]
    data = found[0].data
    assert (data["id"], data["looked_like"], data["mass_kg"]) == ("concentrate#1", "step-down", 0.5)
    assert [r["what"] for r in bay.recognised] == ["sample-taken"]
    corrected = say(bay, 101, action="correct", recognised="concentrate#1", was="nothing")
    assert corrected[0].kind == "corrected"


def test_a_step_that_is_said_later_moves_to_the_end_of_what_is_shown(bay: Bay) -> None:
    rest(bay, 60, 160)
    assert [r["what"] for r in bay.recognised] == ["step-down"]
    found = say(bay, 160, action="decanted", outlet="concentrate")
    assert [(f.kind, f.data["id"]) for f in found] == [
        ("decanted", "concentrate#1"),
        ("recognised", "concentrate#1"),
    ]
    assert [r["what"] for r in bay.recognised] == ["decanted"]


def test_what_never_came_is_told_with_what_to_do(bay: Bay) -> None:
    say(bay, 60, action="container-changed", outlet="tailings")
    found = of(rest(bay, 60, 200), "unseen")
    assert [(f["said"], f["outlet"]) for f in found] == [("container-changed", "tailings")]
    assert "say that it was set" in found[0]["do"]


def test_what_was_said_is_withdrawn_before_its_step_came(bay: Bay) -> None:
    """Nothing is waited for any more, and said anew at once it is no second press of the same button."""
    say(bay, 60, 7, action="decanted", outlet="concentrate", id="a")
    found = say(bay, 62, 8, action="withdraw", entry=7, why="a slip")
    assert [(f.kind, f.subject, f.data["action"]) for f in found] == [("withdrawn", "7", "decanted")]
    assert "nothing that can be corrected" in reason(say(bay, 62, 9, action="withdraw", entry=7))
    again = say(bay, 63, 10, action="decanted", outlet="concentrate", id="b")
    assert [f.kind for f in again] == ["decanted"]
    assert [f.kind for f in say(bay, 64, 11, action="withdraw", entry="b")] == ["withdrawn"]
    rest(bay, 64, 200)
    assert [r["what"] for r in bay.recognised] == ["step-down"]


def test_a_step_is_again_what_it_looked_like(bay: Bay) -> None:
    """Told anew under its number, by a bay that was frozen and thawed in between, too."""
    rest(bay, 60, 160)
    shown = [dict(r) for r in bay.recognised]
    say(bay, 160, 7, action="decanted", outlet="concentrate")
    assert [r["what"] for r in bay.recognised] == ["decanted"]
    bay = thaw(freeze(bay))
    found = say(bay, 160, 8, action="withdraw", entry=7)
    assert [(f.kind, f.data.get("id")) for f in found] == [
        ("withdrawn", None),
        ("recognised", "concentrate#1"),
    ]
    assert [dict(r) for r in bay.recognised] == shown


def test_only_the_last_correction_of_a_number_is_withdrawn(bay: Bay) -> None:
    rest(bay, 60, 160)
    say(bay, 160, 7, action="correct", recognised="concentrate#1", credit="1 kg")
    say(bay, 161, 8, action="correct", recognised="concentrate#1", credit="2 kg")
    assert "nothing that can be corrected" in reason(say(bay, 162, 9, action="withdraw", entry=7))
    found = say(bay, 162, 10, action="withdraw", entry=8)
    assert [f.data["credit_kg"] for f in found if f.kind == "recognised"] == [1.0]


def test_a_time_within_two_minutes_finds_its_step(bay: Bay) -> None:
    """A step that was later than the time said is not looked past."""
    rest(bay, 60, 185)
    time = f"2026-03-02T06:{(T0_S + 82) % 3600 // 60:02}:{(T0_S + 82) % 60:02}Z"
    found = say(bay, 185, action="decanted", outlet="concentrate", time=time)
    assert found[0].data["id"] == "concentrate#1"
    rest(bay, 185, 252)
    assert "correct what was recognised" in reason(
        say(bay, 252, action="decanted", outlet="concentrate", time=time)
    )
    early = "2026-03-02T07:00:00Z"
    assert "in the future" in reason(say(bay, 252, action="decanted", outlet="concentrate", time=early))


@pytest.mark.parametrize(
    ("said", "why"),
    [
        ({"action": "decanted", "outlet": "nowhere"}, "there is concentrate, middlings"),
        ({"action": "decanted", "outlet": "tray"}, "has no scale; there is no step"),
        ({"action": "sample-taken", "outlet": "tray", "sample": "1"}, "type the sample's mass in"),
        ({"action": "container-set", "outlet": "tray"}, "has no scale; there is no tare"),
        ({"action": "correct", "recognised": "concentrate#9", "was": "change"}, "nothing is remembered"),
    ],
)
def test_nonsense_is_refused_with_what_to_do(bay: Bay, said: dict[str, Any], why: str) -> None:
    assert why in reason(say(bay, 60, **said))


def test_nothing_is_taken_out_of_a_container_before_a_weight_is_known() -> None:
    bay = Bay(description())
    bay.apply(Reading(T0, "fines", 2000, -3, "kg", True))
    bay.apply(Tick(T0 + NS))
    assert "not shown a steady weight" in reason(say(bay, 1, action="decanted", outlet="fines"))
    assert "has shown nothing yet" in reason(say(bay, 1, action="decanted", outlet="tailings"))
    found = say(bay, 1, action="sample-taken", outlet="fines", sample="1", mass="30 g")
    assert [(f.kind, f.data["mass_kg"], f.data["pending"]) for f in found] == [("sample", 0.03, False)]


def test_a_sample_of_an_outlet_without_a_scale_has_the_mass_that_is_typed(bay: Bay) -> None:
    found = say(bay, 60, action="sample-taken", outlet="tray", sample="T-1", mass="85 g")
    assert [(f.kind, f.data["mass_kg"], f.data["run"]) for f in found] == [("sample", 0.085, None)]


def test_a_refill_is_no_product(bay: Bay) -> None:
    """Feed that comes into the hopper is not used by that."""
    for tenth in range(60 * 5, 90 * 5):
        bay.apply(Reading(T0 + tenth * NS // 5, "feed", 9000, -3, "kg", True))
    assert [r["what"] for r in bay.recognised] == ["refill"]
    why = reason(say(bay, 91, action="correct", recognised="feed#1", was="product"))
    assert 'say how much was used meanwhile with "credit"' in why
