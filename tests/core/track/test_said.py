"""What a person says of a container makes a step of the weight what it was, early, in time or late.

Masses in g, times in s; product comes at 3 g/s.
"""

from __future__ import annotations

import pickle
from collections.abc import Callable

import pytest

from logger.core.description import Container, ContainerKind
from logger.core.track.saying import Saying
from logger.core.track.view import Recognised, TrackState
from tests.core.track.scales import RATE, Bench, flowing, kinds, outlet, product_g

Force = Callable[[float], float | None]
WHEN = pytest.mark.parametrize("said_t", [180, 202, 203, 215, 255])
"""Before the deed at 200, during it, right after it, and up to a minute late."""


def say(bench: Bench, what: str, sample: str = "", mass_g: float | None = None) -> Recognised | None:
    now_s = bench.epoch_s + bench.t
    mass = None if mass_g is None else mass_g * 1000
    return bench.track.say(now_s, Saying(what, now_s, now_s, sample, mass))


def told(bench: Bench, what: str, force: Force, said_t: int, until: int = 300) -> Recognised:
    """Say it at a time and play on; what the step was believed to be in the end."""
    bench.until(said_t, force)
    found = say(bench, what, "S-1" if what == "sample" else "")
    later = bench.until(until, force)
    events = [e for e in ([found] if found else []) + later if e.data.get("told")]
    assert len(events) == 1
    return events[0]


def delivered(bench: Bench, t: float) -> None:
    """Right within twice its own uncertainty, and that is no excuse."""
    mass, u, _ = bench.track.tally(bench.epoch_s + 40, bench.epoch_s + int(t))
    assert mass / 1000 == pytest.approx(RATE * (t - 40), abs=2 * u / 1000)
    assert u < 25_000


# ---------------------------------------------------------------- a container changed


def looks_like_a_bump(t: float) -> float:
    """The next container, brought with 500 g in it, weighs what the last one did; the knock is seen."""
    if 200.2 <= t < 201.2:
        return 4000.0
    return 1000 + product_g(200) + (RATE * (t - 201.2) if t > 201 else -RATE * (200 - t))


def looks_like_a_step(t: float) -> float:
    """A heavier one, swapped so fast that the scale never shows 0."""
    return 1000 + product_g(t) if t < 200.4 else 2700 + RATE * (t - 200.4)


def with_its_tare_pressed(t: float) -> float:
    """The next one stands there and the tare is pressed, all within the second."""
    return 1000 + product_g(t) if t < 200.4 else RATE * (t - 200.4)


@WHEN
@pytest.mark.parametrize("force", [looks_like_a_bump, looks_like_a_step, with_its_tare_pressed])
def test_a_change_is_one_whatever_it_looked_like(force: Force, said_t: int) -> None:
    """What was in the old container stays delivered, and the new one's weight is its tare."""
    bench = outlet()
    event = told(bench, "change", force, said_t)
    assert event.what == "container-changed"
    delivered(bench, 300)
    content = bench.track.view.content_mg
    assert content is not None
    assert content / 1000 == pytest.approx(RATE * 99, abs=15)


def test_a_change_that_was_seen_is_only_confirmed() -> None:
    """An elbow afterwards is not taken for it, and the same said again changes nothing."""
    bench = flowing()

    def force(t: float) -> float:
        return 0.0 if t < 210 else 1050 + RATE * (t - 210) + (3000 if 230 <= t < 231 else 0)

    found = bench.play(60, force)
    assert kinds(found) == ["container-off", "container-changed", "bump"]
    before = bench.delivered_g
    for _ in range(2):
        event = say(bench, "change")
        assert event is not None
        assert (event.number, event.what) == (found[1].number, "container-changed")
    assert bench.delivered_g == before


def test_a_change_during_a_silence_is_no_mass() -> None:
    """The next container weighs 300 g more than the last did, and nobody saw it come."""
    bench = flowing()

    def force(t: float) -> float | None:
        return None if t < 230 else 1000 + product_g(200) + 300 + RATE * (t - 230)

    bench.until(215, force)
    assert say(bench, "change") is None
    assert bench.track.view.awaits == ("change",)
    assert kinds(bench.until(260, force)) == ["container-changed"]
    assert bench.track.view.awaits == ()
    delivered(bench, 260)


def test_a_change_said_while_the_scale_shows_nothing_ends_that() -> None:
    """The fresh container's tare was pressed: nothing moves, so half a minute later it is believed."""
    bench = flowing()

    def force(t: float) -> float:
        return 0.0 if t < 212 else 0.2 * (t - 212)

    bench.until(215, force)
    assert bench.track.view.state is TrackState.OFF
    assert say(bench, "change") is None
    assert kinds(bench.until(250, force)) == ["container-changed"]
    assert bench.track.view.state is TrackState.STEADY


# ---------------------------------------------------------------- a container away


@pytest.mark.parametrize("said_t", [150, 200, 202, 215, 255])
@pytest.mark.parametrize("gone_s", [60, 400])
def test_what_comes_while_the_container_is_away_is_not_caught(said_t: int, gone_s: int) -> None:
    """It is not delivered, whenever that was said, and told apart."""
    bench, back = outlet(), 200 + gone_s

    def force(t: float) -> float:
        return 1000 + product_g(t) if t < 200 else 0.0 if t < back else 1050 + RATE * (t - back)

    bench.until(said_t, force)
    say(bench, "away")
    bench.until(259, force)
    view = bench.track.view
    assert view.away_since_s == pytest.approx(bench.epoch_s + 200, abs=2)
    assert bench.delivered_g == pytest.approx(RATE * 170, abs=10)
    assert bench.track.not_caught(1000, bench.epoch_s + 259)[0] / 1000 == pytest.approx(RATE * 59, abs=25)
    ended = bench.until(back + 60, force)[-1]
    assert (ended.what, ended.credit_mg, ended.estimated) == ("container-changed", 0.0, False)
    assert ended.data["not_caught_kg"] == pytest.approx(RATE * gone_s / 1000, rel=0.1)
    assert bench.delivered_g == pytest.approx(RATE * 230, abs=12)
    assert bench.at(back - 5) - bench.at(205) == pytest.approx(0.0, abs=8)
    mass, u = bench.track.not_caught(bench.epoch_s, bench.epoch_s + back + 60)
    assert mass / 1000 == pytest.approx(RATE * gone_s, abs=2 * u / 1000)
    assert view.away_since_s is None


@pytest.mark.parametrize("said_t", [190, 204, 215])
def test_a_scale_that_does_not_show_nothing_when_bare(said_t: int) -> None:
    """A frame lies on it: the container's own weight is missing, so it was no sample."""
    bench = outlet(Container(tare_kg=1.0))
    bench.track.view.tare_mg = None

    def force(t: float) -> float:
        base = 1400 + (1000 + product_g(t) if t < 200 else 0.0 if t < 260 else 1050 + RATE * (t - 260))
        return base

    bench.until(100, force)
    bench.track.container_set(bench.epoch_s + 100, 2_400_000.0)
    bench.until(said_t, force)
    say(bench, "away")
    bench.until(250, force)
    assert bench.track.view.state is TrackState.OFF
    assert bench.delivered_g == pytest.approx(RATE * 170, abs=12)
    bench.until(300, force)
    assert bench.track.view.state is TrackState.STEADY
    assert bench.delivered_g == pytest.approx(RATE * 210, abs=15)


def test_product_that_piles_up_on_the_bare_scale_is_not_delivered() -> None:
    """Without the words it would be taken for a container whose tare was pressed."""
    bench = flowing()
    force: Force = lambda t: RATE * (t - 200)  # noqa: E731
    bench.until(203, force)
    say(bench, "away")
    bench.until(280, force)
    assert bench.track.view.state is TrackState.OFF
    assert bench.delivered_g == pytest.approx(RATE * 170, abs=10)


def test_away_taken_back_credits_the_gap_again() -> None:
    """It was said of the wrong outlet: the correction leaves what nobody ever said."""
    said, silent = flowing(), flowing()
    force: Force = lambda t: 0.0 if t < 230 else 1050 + RATE * (t - 230)  # noqa: E731
    said.until(210, force)
    event = say(said, "away")
    assert event is not None
    said.until(220, force)
    said.track.correct(event.number, "nothing")
    said.until(300, force)
    silent.until(300, force)
    assert said.delivered_g == pytest.approx(silent.delivered_g, abs=0.001)
    assert said.track.not_caught(1000, 1300) == (0.0, 0.0)


# ---------------------------------------------------------------- water poured off


@WHEN
@pytest.mark.parametrize("kind", [ContainerKind.UNKNOWN, ContainerKind.BRIM_FULL, ContainerKind.DRAINS])
def test_water_poured_off_is_no_product(kind: ContainerKind, said_t: int) -> None:
    """Delivered goes on as if nothing had been poured, and what follows counts from there."""
    density = 2.65
    gain = 1 / (1 - 1 / density) if kind is ContainerKind.BRIM_FULL else 1.0
    bench = outlet(Container(kind), density=density)
    event = told(bench, "decanted", lambda t: 5000 + product_g(t) / gain - (900 if t >= 200.4 else 0), said_t)
    assert (event.what, event.data["looked_like"]) == ("decanted", "step-down")
    assert event.data["water_kg"] == pytest.approx(0.9, abs=0.02)
    delivered(bench, 300)


@WHEN
def test_water_poured_off_where_it_was_counted_leaves_the_mass(said_t: int) -> None:
    """A container that retains everything: the mass is product with its water, so it falls by the water.

    It falls over the time the container stood there, since the water came with the product.
    """
    bench = outlet(Container(ContainerKind.RETAINS))
    event = told(bench, "decanted", lambda t: 1000 + product_g(t) - (240 if t >= 200.4 else 0), said_t)
    water = event.data["water_kg"] * 1000
    assert water == pytest.approx(240, abs=15)
    assert bench.delivered_g == pytest.approx(RATE * 270 - 240, abs=12)
    assert bench.at(290) - bench.at(210) == pytest.approx(RATE * 80, abs=10)
    half = bench.at(115) - bench.at(30)
    assert half == pytest.approx(RATE * 85 - water / 2, abs=15)
    assert bench.track.correct(event.number, "nothing") / 1000 == pytest.approx(240, abs=15)
    delivered(bench, 300)


@pytest.mark.parametrize("said_t", [190, 204, 240])
def test_a_container_lifted_off_to_pour_is_the_same_one(said_t: int) -> None:
    """It comes back lighter and looks like another: its tare stays, and its content is what is left."""
    bench = outlet(Container(tare_kg=1.0))

    def force(t: float) -> float:
        return 0.0 if 200 <= t < 220 else 4000 + product_g(t) - (1500 if t >= 220 else 0)

    event = told(bench, "decanted", force, said_t)
    assert event.data["looked_like"] == "container-changed"
    assert event.data["water_kg"] == pytest.approx(1.5, abs=0.03)
    delivered(bench, 300)
    assert bench.track.view.tare_mg == pytest.approx(1_000_000)
    content = bench.track.view.content_mg
    assert content is not None
    assert content / 1000 == pytest.approx(1500 + RATE * 270, abs=15)


# ---------------------------------------------------------------- samples


@WHEN
def test_a_sample_belongs_to_what_was_delivered(said_t: int) -> None:
    """Its mass is what the weight lost."""
    bench = outlet()
    event = told(bench, "sample", lambda t: 1000 + product_g(t) - (150 if t >= 200.4 else 0), said_t)
    assert (event.what, event.data["sample"]) == ("sample-taken", "S-1")
    off = abs(event.data["mass_kg"] - 0.15)
    assert off < 2 * event.data["mass_u_kg"] < 0.03
    delivered(bench, 300)


def test_a_change_before_it_is_not_taken_for_a_sample() -> None:
    """Six kilograms less a minute ago were another container, so the next step down is waited for."""
    bench = flowing(tare_g=1000, until=2000)
    force: Force = lambda t: 0.0 if t < 2010 else 1050 + RATE * (t - 2010) - (200 if t >= 2060 else 0)  # noqa: E731
    bench.until(2050, force)
    assert say(bench, "sample", "S-1") is None
    found = bench.until(2080, force)
    assert kinds(found) == ["sample-taken"]
    assert found[0].data["mass_kg"] == pytest.approx(0.2, abs=0.02)


def test_a_sample_of_another_mass_than_typed_is_not_this_step() -> None:
    """Half as much again is the most a kitchen scale and a wet hand differ by."""
    bench = flowing()
    force: Force = lambda t: 1000 + product_g(t) - (600 if t >= 210 else 0)  # noqa: E731
    bench.until(230, force)
    assert say(bench, "sample", "S-1", 150) is None
    event = say(bench, "sample", "S-2", 550)
    assert event is not None
    assert (event.data["mass_kg"], event.data["mass_u_kg"]) == (0.55, None)


@pytest.mark.parametrize("taken_g", [12.0, 20.0])
def test_a_sample_too_light_to_be_seen_is_counted_as_typed(taken_g: float) -> None:
    """The level follows it down without a step; delivered does not fall by it."""
    bench = flowing()
    say(bench, "sample", "S-1", taken_g)

    def force(t: float) -> float:
        return 1000 + product_g(t) - taken_g * min(1.0, max(0.0, (t - 210) / 8))

    bench.until(400, force)
    delivered(bench, 400)


def test_what_was_said_and_never_came_is_told() -> None:
    """Two minutes later nothing is waited for any more, and nothing was changed."""
    bench = flowing()
    assert say(bench, "decanted") is None
    found = bench.play(130, lambda t: 1000 + product_g(t))
    assert [(e.what, e.number, e.data["said"]) for e in found] == [("unseen", 0, "decanted")]
    assert bench.track.view.awaits == ()
    delivered(bench, 330)


# ---------------------------------------------------------------- corrections


@pytest.mark.parametrize("what", ["change", "decanted", "sample"])
@pytest.mark.parametrize("said_t", [180, 230])
def test_whatever_is_said_can_be_taken_back(what: str, said_t: int) -> None:
    """Corrected to "nothing" it is what the step was without any words, in every second."""
    said = outlet(Container(ContainerKind.RETAINS, tare_kg=1.0))
    plain = outlet(Container(ContainerKind.RETAINS, tare_kg=1.0))
    force: Force = lambda t: 1000 + product_g(t) - (150 if t >= 200.4 else 0)  # noqa: E731
    event = told(said, what, force, said_t)
    plain.until(300, force)
    said.track.correct(event.number, "nothing")
    assert said.track.view.tare_mg == plain.track.view.tare_mg
    for t in range(40, 300, 20):
        assert said.at(t) == pytest.approx(plain.at(t), abs=1e-6)
    ends = (said.epoch_s + 40, said.epoch_s + 300)
    assert said.track.tally(*ends) == pytest.approx(plain.track.tally(*ends))


def test_a_change_corrected_late_knows_the_tare_though_more_happened_since() -> None:
    """A bump that was a change, and a tare pressed since: the content is right."""
    bench = outlet()

    def force(t: float) -> float:
        return looks_like_a_bump(t) - (1000 if t >= 250 else 0)

    bench.until(300, force)
    assert kinds(bench.events) == ["bump", "step-down"]
    bench.track.correct(bench.events[0].number, "change")
    delivered(bench, 300)


def test_a_tare_pressed_that_looks_like_no_container_is_corrected() -> None:
    """At 0.2 g/s it would look so for minutes: "nothing" says that a container stands there."""
    bench = outlet()
    force: Force = lambda t: 0.2 * t + (1000 if t < 300 else -60)  # noqa: E731
    bench.until(310, force)
    off = bench.events[-1]
    assert (off.what, bench.track.view.state) == ("container-off", TrackState.OFF)
    bench.track.correct(off.number, "nothing")
    assert bench.track.view.state is TrackState.STEADY
    assert kinds(bench.until(600, force)) == ["tare-pressed"]
    assert bench.delivered_g == pytest.approx(0.2 * 600, abs=8)


@pytest.mark.parametrize(
    ("was", "why"),
    [("product", "no product by that"), ("credit", "stands there again; correct what ended that, which has")],
)
def test_what_cannot_have_been_is_refused_in_words(was: str, why: str) -> None:
    """A container that went is no product, and once it is back the gap is what counts."""
    bench = flowing()
    bench.play(60, lambda t: 0.0 if t < 215 else 1050 + RATE * (t - 215))
    off = bench.events[0].number
    said = {"credit_mg": 5.0} if was == "credit" else {"was": was}
    with pytest.raises(ValueError, match=why):
        bench.track.correct(off, **said)  # type: ignore[arg-type]


def test_a_closed_span_keeps_its_uncertainty() -> None:
    """What the level is worth today does not change what it was worth then."""
    bench = flowing()
    before = bench.track.tally(1040, 1200)
    bench.noise_g = 40.0
    bench.play(600, lambda t: 1000 + product_g(t))
    assert bench.track.tally(1040, 1200) == pytest.approx(before)


@pytest.mark.parametrize("what", ["change", "away", "decanted", "sample"])
@pytest.mark.parametrize("cut", [185, 201, 205, 225, 290])
def test_a_restart_while_a_step_is_waited_for_changes_nothing(what: str, cut: int) -> None:
    """A track read back from its pickle answers as the one that was never stopped."""

    def force(t: float) -> float:
        return 0.0 if 200 <= t < 220 else 3000 + product_g(t) - (150 if t >= 220 else 0)

    def played(cuts: tuple[int, ...]) -> tuple[Bench, list[Recognised]]:
        bench = outlet(Container(tare_kg=1.0))
        bench.until(180, force)
        assert say(bench, what, "S-1") is None
        for t in (*cuts, 320):
            bench.until(t, force)
            bench.track = pickle.loads(pickle.dumps(bench.track))
        return bench, bench.events

    (whole, events), (broken, others) = played(()), played((cut,))
    assert events == others
    assert [whole.at(t) for t in range(0, 320, 7)] == [broken.at(t) for t in range(0, 320, 7)]
    assert whole.track.view.content_mg == broken.track.view.content_mg
