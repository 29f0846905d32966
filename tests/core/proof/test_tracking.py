"""Whether a scale swallows a trickle, as the guided test finds it out on simulated scales."""

from __future__ import annotations

from collections import Counter

import pytest

from logger.core.description import ZeroTracking
from logger.core.proof.tracking import decide, portion_kg, zero_tracking
from logger.core.proof.values import Result, Verdict
from tests.core.proof.person import Bench, bay_of, bench, scale


def portion(at: Bench, over_s: float, steps_of: float) -> float:
    """Pour the portion, by a measure that two fills agree in to 5 %; gives when it is in."""
    step = at.channel.resolution_kg
    kg = portion_kg(at.channel) * at.rng.gauss(1.0, 0.05)
    at.add(2.0, kg, over_s, max(1, round(kg / (steps_of * step))))
    return 2.0 + over_s


def guided(
    seed: int,
    *,
    step: float = 0.005,
    on: bool,
    told: ZeroTracking = ZeroTracking.UNKNOWN,
    noise: float = 0.3,
    over_s: float = 80.0,
    steps_of: float = 0.5,
    second: float = 1.0,
) -> list[Result]:
    """The whole test by a person who does what is asked. ``noise`` in resolutions; ``second`` is the part of
    the second portion that is really poured."""
    channel = scale(resolution_kg=step, zero_tracking=told)
    at = bench(seed, channel, zero_tracking=on, noise_kg=noise * step)

    def cup(at: Bench) -> None:
        at.add(2.0, 0.05 + at.rng.random() * step)
        at.later(6.0, at.model.press_zero)
        at.press(9.0)

    def drip(at: Bench) -> None:
        at.add(portion(at, over_s, steps_of) + 3.0, max(1.0, 50 * step))

    def drip_loaded(at: Bench) -> None:
        if second:
            at.press(portion(at, over_s, steps_of) + 3.0)
        else:
            at.press(over_s)

    def clear(at: Bench) -> None:
        at.later(2.0, lambda: setattr(at, "load_kg", 0.0))
        at.press(6.0)

    at.deeds = {"cup": cup, "drip": drip, "drip-loaded": drip_loaded, "clear": clear}
    return at.run([zero_tracking(channel, "kg")], bay_of(channel))


def rates(seeds: int, *, on: bool, **how: float) -> Counter[str]:
    """How often each state was found."""
    return Counter(guided(seed, on=on, **how)[0].figures["state"] for seed in range(seeds))  # type: ignore[arg-type]


@pytest.mark.parametrize("step", [0.001, 0.02])
@pytest.mark.parametrize("on", [False, True])
def test_a_scale_is_found_out_over_seeds(on: bool, step: float) -> None:
    """No scale is called wrong, and each is told, at two resolutions."""
    assert rates(8, on=on, step=step) == {"on" if on else "off": 8}


@pytest.mark.full
@pytest.mark.parametrize("noise", [0.0, 0.3, 1.0])
@pytest.mark.parametrize("step", [0.002, 0.005, 0.05])
@pytest.mark.parametrize("on", [False, True])
def test_error_rates_over_many_seeds(on: bool, step: float, noise: float) -> None:
    """Of 100 scales none is called wrong; at most 5 can't be told."""
    found = rates(100, on=on, step=step, noise=noise)
    right, wrong = ("on", "off") if on else ("off", "on")
    print(f"tracking {right}, resolution {step} kg, noise {noise} d: {dict(found)}")
    assert found[wrong] == 0
    assert found[right] >= 95


@pytest.mark.parametrize(
    ("on", "told", "verdict", "remedy"),
    [
        (True, ZeroTracking.ON, Verdict.PASSES, "container's own weight"),
        (True, ZeroTracking.OFF, Verdict.FAILS, "switch automatic zero tracking off"),
        (True, ZeroTracking.UNKNOWN, Verdict.FAILS, "switch automatic zero tracking off"),
        (False, ZeroTracking.OFF, Verdict.PASSES, ""),
        (False, ZeroTracking.UNKNOWN, Verdict.PASSES, 'write zero_tracking = "off"'),
        (False, ZeroTracking.ON, Verdict.FAILS, 'write zero_tracking = "off"'),
    ],
)
def test_the_verdict_holds_it_against_the_configuration(
    on: bool, told: ZeroTracking, verdict: Verdict, remedy: str
) -> None:
    result = guided(1, on=on, told=told)[0]
    assert (result.verdict, result.expected) == (verdict, str(told))
    assert remedy in result.remedy


def test_the_containers_weight_keeps_a_tracking_scale_from_swallowing() -> None:
    loaded = guided(2, on=True)[1]
    assert loaded.verdict is Verdict.PASSES
    assert loaded.figures["shown_kg"] == pytest.approx(0.04, rel=0.2)


def test_a_portion_poured_at_once_does_not_prove_that_tracking_is_off() -> None:
    """A scale that tracks shows a quick pour; so the same sight on any scale proves nothing."""
    quick = guided(3, on=False, over_s=1.0, steps_of=8.0)[0]
    assert quick.verdict is Verdict.CANT_TELL
    assert "more slowly" in quick.remedy
    assert guided(3, on=True, over_s=1.0, steps_of=8.0)[0].figures["state"] != "off"


def test_a_second_portion_that_never_showed_is_told() -> None:
    """Forgotten, or swallowed under load as well: both are said, and zero tracking is left open."""
    at_zero, loaded = guided(4, on=False, second=0.0)
    assert at_zero.verdict is Verdict.CANT_TELL
    assert loaded.verdict is Verdict.FAILS
    assert "was all of it poured?" in loaded.remedy


def test_what_can_not_be_told_is_not_guessed() -> None:
    assert decide(0.3, 0.15, 80.0) == ""
    assert decide(0.05, 0.1, 80.0) == "off"
    assert decide(0.05, 0.1, 20.0) == ""
    assert decide(0.95, 0.1, 20.0) == "on"
