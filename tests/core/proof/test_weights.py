"""A test weight and repeated placings, on simulated scales."""

from __future__ import annotations

import pytest

from logger.core.proof.values import Noticed, Result, Verdict
from logger.core.proof.weights import one_weight, repeatability
from tests.core.proof.person import Bench, bay_of, bench, scale


def lift(at: Bench) -> None:
    at.later(2.0, lambda: setattr(at, "load_kg", 0.0))


def weigh(
    seed: int, *, true_kg: float = 5.0, said: str = "5 kg", told_kg: float | None = None, gain: float = 1.0
) -> tuple[Bench, list[Result]]:
    channel = scale()
    at = bench(seed, channel)
    at.deeds = {
        "mass": lambda at: at.say(1.0, said),
        "on": lambda at: at.add(3.0, true_kg * gain),
        "back": lift,
    }
    return at, at.run([one_weight(channel, "kg", told_kg, 0.0)], bay_of(channel))


@pytest.mark.parametrize("seed", range(10))
def test_a_right_scale_passes_without_a_key(seed: int) -> None:
    """Each placing is seen from the weight itself; nothing is pressed."""
    at, results = weigh(seed, told_kg=5.0)
    assert [(r.test, r.verdict) for r in results] == [
        ("test weight", Verdict.PASSES),
        ("return to zero", Verdict.PASSES),
    ]
    assert len([word for word in at.words if isinstance(word, Noticed)]) == 3


@pytest.mark.parametrize("seed", range(10))
def test_a_scale_that_is_a_quarter_percent_off_fails(seed: int) -> None:
    error = weigh(seed, gain=1.0025)[1][0]
    assert error.verdict is Verdict.FAILS
    assert error.figures["error_kg"] == pytest.approx(0.0125, abs=0.004)
    assert error.figures["limit_kg"] == pytest.approx(0.005)


def test_another_weight_than_the_one_said_is_not_taken_for_an_error_of_the_scale() -> None:
    error = weigh(1, true_kg=2.0)[1][0]
    assert error.verdict is Verdict.FAILS
    assert "does not look like this weight" in error.remedy


def test_a_bad_answer_is_asked_for_again() -> None:
    channel = scale()
    at = bench(1, channel)

    def mass(at: Bench) -> None:
        for after_s, text in enumerate(("", "5", "5 stone", "-5 kg", "0 g", "11.0231 lb"), 1):
            at.say(float(after_s), text)

    at.deeds = {"mass": mass, "on": lambda at: at.add(3.0, 5.0), "back": lift}
    results = at.run([one_weight(channel, "kg", None, 0.0)], bay_of(channel))
    assert len(at.complaints) == 5
    assert "the unit is missing" in at.complaints[1]
    assert results[0].figures["mass_kg"] == pytest.approx(5.0, abs=1e-4)
    assert results[0].verdict is Verdict.PASSES


def place(seed: int, spread_kg: tuple[float, float, float]) -> Result:
    channel = scale()
    at = bench(seed, channel)
    at.deeds = {"off-1": lift, "off-2": lift}
    for number, off_kg in enumerate(spread_kg, 1):
        at.deeds[f"on-{number}"] = lambda at, off_kg=off_kg: at.add(3.0, 4.0 + off_kg)  # type: ignore[misc]
    return at.run([repeatability(channel, "kg")], bay_of(channel))[0]


@pytest.mark.parametrize(("last_kg", "verdict"), [(0.001, Verdict.PASSES), (0.02, Verdict.FAILS)])
def test_three_placings_agree_or_do_not(last_kg: float, verdict: Verdict) -> None:
    result = place(1, (0.0, 0.0005, last_kg))
    assert result.verdict is verdict
    assert len(result.figures["placings_kg"]) == 3


def test_a_weight_too_small_to_test_with_can_not_tell() -> None:
    channel = scale()
    at = bench(1, channel)
    at.deeds = {key: (lambda at: at.press(5.0)) for key in ("on-1", "off-1", "on-2", "off-2", "on-3")}
    assert at.run([repeatability(channel, "kg")], bay_of(channel))[0].verdict is Verdict.CANT_TELL
