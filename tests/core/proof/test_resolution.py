"""The smallest step seen against the one configured."""

from __future__ import annotations

from random import Random

import pytest

from logger.core.proof.resolution import judge_resolution
from logger.core.proof.values import Verdict
from tests.core.proof.person import scale


def numbers(
    step: int, count: int, exp: int = -3, unit: str = "kg", seed: int = 1
) -> set[tuple[int, int, str]]:
    rng = Random(seed)
    return {(step * rng.randrange(1, 4000), exp, unit) for _ in range(count)}


@pytest.mark.parametrize(
    ("shown", "verdict", "remedy"),
    [
        (numbers(5, 20), Verdict.PASSES, ""),
        (numbers(1, 5), Verdict.FAILS, 'finer steps than configured: write resolution = "1 g"'),
        (numbers(2, 20), Verdict.FAILS, 'write resolution = "2 g"'),
        (numbers(10, 20), Verdict.FAILS, 'coarser steps than configured: write resolution = "10 g"'),
        (numbers(10, 4), Verdict.CANT_TELL, "too few different numbers"),
        ({(0, -3, "kg")}, Verdict.CANT_TELL, "load the scale"),
        (set(), Verdict.CANT_TELL, "load the scale"),
        ({(1235, -3, "kg"), (12, -1, "kg"), (5, -3, "kg"), (77, -3, "parsec")}, Verdict.PASSES, ""),
    ],
)
def test_the_step_is_told_where_the_numbers_tell_it(
    shown: set[tuple[int, int, str]], verdict: Verdict, remedy: str
) -> None:
    result = judge_resolution(scale(), shown, "kg")
    assert result.verdict is verdict
    assert remedy in result.remedy


def test_a_scale_in_pounds_is_held_against_pounds() -> None:
    pounds = scale(resolution_kg=0.01 * 0.45359237, unit="lb")
    assert judge_resolution(pounds, numbers(1, 30, -2, "lb"), "lb").verdict is Verdict.PASSES
    coarser = judge_resolution(pounds, numbers(2, 30, -2, "lb"), "lb")
    assert coarser.verdict is Verdict.FAILS
    assert '"0.02 lb"' in coarser.remedy


def test_a_right_resolution_is_hardly_ever_called_coarser() -> None:
    """Of 400 scales that showed eight numbers at most 12: the chance is 1 %, so 12 is four sigma off."""
    found = [judge_resolution(scale(), numbers(5, 8, seed=seed), "kg").verdict for seed in range(400)]
    assert found.count(Verdict.FAILS) <= 12
    assert found.count(Verdict.PASSES) >= 380
