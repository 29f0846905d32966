"""What a track makes of steps, one kind of event a test. Masses in g, times in s."""

from __future__ import annotations

from collections.abc import Callable
from random import Random

import pytest

from logger.core.description import Channel, Container, ContainerKind, FeedKind
from logger.core.track.scale import ScaleTrack
from logger.core.track.view import Recognised, TrackState

EPOCH_S = 1_000


class Bench:
    """A scale under a made-up force: ``force_g(t)`` read at 5 Hz, in steps of 5 g, with 2 g of noise."""

    def __init__(
        self, track: ScaleTrack, seed: int = 1, hz: int = 5, step_g: float = 5.0, noise_g: float = 2.0
    ):
        self.track, self.rng, self.hz, self.step_g, self.noise_g = track, Random(seed), hz, step_g, noise_g
        self.events: list[Recognised] = []
        self.t = 0

    def play(
        self, seconds: int, force_g: Callable[[float], float | None], expected_g_s: float | None = None
    ) -> list[Recognised]:
        """Go on for some seconds; what was recognised in them."""
        found: list[Recognised] = []
        for _ in range(seconds):
            for i in range(self.hz):
                t = self.t + i / self.hz
                force = force_g(t)
                if force is not None:
                    shown = round((force + self.rng.gauss(0, self.noise_g)) / self.step_g) * self.step_g
                    self.track.reading(int((EPOCH_S + t) * 1e9), round(shown * 1000), None)
            self.t += 1
            expected = None if expected_g_s is None else expected_g_s * 1000
            found += self.track.tick(EPOCH_S + self.t, expected)
        self.events += found
        return found

    @property
    def delivered_g(self) -> float:
        return self.track.view.delivered_mg / 1000


def outlet(container: Container | None = None, density: float | None = None) -> Bench:
    return Bench(ScaleTrack(Channel("out"), container or Container(), solids_density=density))


def feed(kind: FeedKind) -> Bench:
    track = ScaleTrack(Channel("in"), Container(), solids_density=None, feed=True, feed_kind=kind)
    return Bench(track)


RATE = 3.0  # g/s, 10.8 kg/h


def flowing(bench: Bench, tare_g: float = 1000.0, until: int = 200) -> None:
    """Half a minute of nothing, then product at 3 g/s."""
    bench.play(until, lambda t: tare_g + RATE * max(0.0, t - 30))


def kinds(events: list[Recognised]) -> list[str]:
    return [event.what for event in events]


def test_counts_what_comes_after_the_first_settled_level() -> None:
    """What lies in the container at the beginning is not delivered."""
    bench = outlet()
    flowing(bench, tare_g=4000.0)
    assert bench.delivered_g == pytest.approx(RATE * 170, abs=6)
    assert bench.track.view.rate_mg_s == pytest.approx(RATE * 1000, rel=0.1)
    assert bench.events == []


def test_brim_full_container_shows_less_than_settles() -> None:
    """The displaced water is added again: 38 % for sand."""
    bench = outlet(Container(ContainerKind.BRIM_FULL), density=2.65)
    bench.play(200, lambda t: 9000 + RATE * max(0.0, t - 30) * (1 - 1 / 2.65))
    assert bench.delivered_g == pytest.approx(RATE * 170, abs=10)


@pytest.mark.parametrize("push_g", [-15000, -2000, 2000, 20000])
@pytest.mark.parametrize("lasts_s", [0.3, 1.0, 5.0])
def test_bump_leaves_the_base(push_g: float, lasts_s: float) -> None:
    """An elbow on the scale changes nothing."""
    bench = outlet()
    flowing(bench)
    found = bench.play(60, lambda t: 1000 + RATE * (t - 30) + (push_g if 210.3 <= t < 210.3 + lasts_s else 0))
    assert bench.track.view.state is TrackState.STEADY
    assert bench.delivered_g == pytest.approx(RATE * 230, abs=8)
    assert bench.track.view.estimated_mg == 0.0
    assert found


def test_container_change_credits_the_gap() -> None:
    """What fell while no container stood there is estimated from the rate before."""
    bench = outlet()
    flowing(bench)
    off = bench.play(20, lambda t: 0.0)
    assert kinds(off) == ["container-off"]
    assert bench.track.view.state is TrackState.OFF
    found = bench.play(60, lambda t: 1100 + RATE * (t - 220))
    assert kinds(found) == ["container-changed"]
    assert found[0].estimated
    assert found[0].credit_mg == pytest.approx(RATE * 21_000, rel=0.15)
    assert bench.delivered_g == pytest.approx(RATE * 250, abs=15)
    assert bench.track.view.content_mg == pytest.approx(RATE * 60_000, abs=12_000)
