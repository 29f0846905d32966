"""What a person said of a container and took back at once leaves no trace in any mass.

Masses in g, times in s; product comes at 3 g/s.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from logger.core.description import Container, ContainerKind
from logger.core.track.saying import Saying
from logger.core.track.view import Recognised
from tests.core.track.scales import RATE, Bench, outlet, product_g

Force = Callable[[float], float]


def poured(t: float) -> float:
    """Lighter by 150 g at 200 s."""
    return 1000 + product_g(t) - (150 if t >= 200.4 else 0)


def swapped(t: float) -> float:
    """A lighter container at 200 s, so fast that the scale never shows 0."""
    return 1000 + product_g(t) if t < 200.4 else 1030 + RATE * (t - 200.4)


def lifted(t: float) -> float:
    """Off from 200 s to 212 s, then another one."""
    return 1000 + product_g(t) if t < 200 else 0.0 if t < 212 else 1050 + RATE * (t - 212)


def now(bench: Bench) -> dict[str, Any]:
    """All that is shown of an outlet, and its tally, after the second that has just ended."""
    view, ends = bench.track.view, (bench.epoch_s + 40, bench.epoch_s + bench.t)
    return {
        "delivered": view.delivered_mg,
        "variance": view.var_mg2,
        "estimated": view.estimated_mg,
        "tally": bench.track.tally(*ends),
        "beside": bench.track.not_caught(*ends),
        "by time": tuple(bench.at(t) for t in range(40, bench.t, 10)),
        "tare": view.tare_mg or 0.0,
        "content": view.content_mg or 0.0,
        "rate": view.rate_mg_s,
    }


def flat(found: dict[str, Any]) -> list[float]:
    return [each for value in found.values() for each in (value if isinstance(value, tuple) else (value,))]


def saying(bench: Bench, what: str) -> Saying:
    now_s = bench.epoch_s + bench.t
    return Saying(what, now_s, now_s)


@pytest.mark.parametrize("said_t", [150, 190, 203, 205, 215, 260])
@pytest.mark.parametrize("what", ["change", "decanted", "away"])
@pytest.mark.parametrize("force", [poured, swapped, lifted])
@pytest.mark.parametrize("kind", [ContainerKind.UNKNOWN, ContainerKind.RETAINS])
def test_taken_back_at_once_all_is_as_it_was(
    force: Force, what: str, said_t: int, kind: ContainerKind
) -> None:
    """At that moment and a minute and a half later, as beside a track to which nothing was ever said."""
    said, plain = (outlet(Container(kind, tare_kg=1.0)) for _ in range(2))
    for bench in (said, plain):
        bench.until(said_t, force)
    words = saying(said, what)
    said.track.say(said.epoch_s + said.t, words)
    said.track.unsay(words)
    assert flat(now(said)) == pytest.approx(flat(now(plain)), abs=1e-3)
    assert said.track.view.awaits == ()
    for bench in (said, plain):
        bench.until(said_t + 90, force)
    assert flat(now(said))[:3] == pytest.approx(flat(now(plain))[:3], rel=1e-6, abs=1.0)


def test_taken_back_after_its_step_came() -> None:
    """It was said ahead; the step came within the ten seconds in which a slip is noticed."""
    said, plain = outlet(Container(tare_kg=1.0)), outlet(Container(tare_kg=1.0))
    said.until(198, swapped)
    words = saying(said, "change")
    assert said.track.say(said.epoch_s + said.t, words) is None
    said.until(208, swapped)
    plain.until(208, swapped)
    assert [e.what for e in said.events] == ["container-changed"]
    event = said.track.unsay(words)
    assert event is not None
    assert [event.what] == [e.what for e in plain.events]
    assert flat(now(said)) == pytest.approx(flat(now(plain)), abs=1e-3)


def test_only_the_last_that_was_said_of_a_step_is_taken_back() -> None:
    """What was said before it has nothing left to go back to."""
    bench = outlet(Container(tare_kg=1.0))
    bench.until(205, poured)
    first, second = saying(bench, "decanted"), saying(bench, "change")
    for words in (first, second):
        bench.track.say(bench.epoch_s + bench.t, words)
    with pytest.raises(ValueError, match="something else was said of it since"):
        bench.track.unsay(first)
    event = bench.track.unsay(second)
    assert isinstance(event, Recognised)
    assert event.what == "decanted"


def test_a_correction_is_taken_back() -> None:
    """It counts again for what it did before, which was not what the weight alone had shown."""
    bench = outlet(Container(tare_kg=1.0))
    bench.until(205, poured)
    words = saying(bench, "decanted")
    event = bench.track.say(bench.epoch_s + bench.t, words)
    assert event is not None
    before = flat(now(bench))
    bench.track.correct(event.number, None, 500_000.0)
    assert flat(now(bench)) != pytest.approx(before)
    bench.track.unsay(event.number)
    assert flat(now(bench)) == pytest.approx(before, abs=1e-3)


def test_a_container_that_came_back_is_corrected_otherwise() -> None:
    """What fell beside was told by then; the words alone can't be taken back."""
    bench = outlet(Container(tare_kg=1.0))
    bench.until(205, lifted)
    words = saying(bench, "away")
    bench.track.say(bench.epoch_s + bench.t, words)
    bench.until(225, lifted)
    with pytest.raises(ValueError, match="a container stands there again"):
        bench.track.unsay(words)


def test_a_step_that_was_made_a_container_away_is_ended_otherwise() -> None:
    """A frame lies on the scale, so the bare scale had looked like a step of the weight."""
    bench = outlet(Container(tare_kg=1.0))
    bench.track.view.tare_mg = None

    def force(t: float) -> float:
        return 1400 + (1000 + product_g(t) if t < 200 else 0.0)

    bench.until(100, force)
    bench.track.container_set(bench.epoch_s + 100, 2_400_000.0)
    bench.until(215, force)
    words = saying(bench, "away")
    assert bench.track.say(bench.epoch_s + bench.t, words) is not None
    before = flat(now(bench))
    with pytest.raises(ValueError, match="say that a fresh container stands there"):
        bench.track.unsay(words)
    assert flat(now(bench)) == before
