"""A correction changes the tally by what it says, and nothing else, whenever it is said."""

from __future__ import annotations

from random import Random
from typing import Any

import pytest

from logger.core.actions import BODY
from logger.core.bay import Bay
from logger.core.entries import Action, Entry, Reading
from tests.core.folding import NS, T0, configuration

TWO = '[stations.t.feed]\nkind = "unweighed"\n[stations.t]\nresolution = "1 g"\noutlets = ["a", "b"]\n'
STEP_S = 300


def delivered_kg(step_kg: float, *said: tuple[float, dict[str, Any]]) -> float:
    """What "a" got in 15 minutes at 7.2 kg/h when ``step_kg`` lands in a step and corrections are said."""
    dice = Random(3)
    listed: list[Entry] = []
    for i in range(5 * 900):
        t = i * 0.2
        for channel in "ab":
            landed = step_kg if channel == "a" and t >= STEP_S else 0.0
            kg = 1.0 + max(0.0, t - 20) * 0.002 + dice.gauss(0, 0.0015) + landed
            listed.append(Reading(T0 + round(t * 1000) * 10**6, channel, round(kg * 1000), -3, "kg"))
    for at_s, action in ((10.0, {"action": "start-run"}), *said):
        listed.append(Action(T0 + round(at_s * NS), BODY.validate_python(action)))
    bay = Bay(configuration(TWO).bay)
    for seq, entry in enumerate(sorted(listed, key=lambda e: e.at_ns), 1):
        bay.apply(entry._replace(seq=seq))
    found: float = bay.run_tally(bay.books.runs["run-1"])["outlets"]["a"]["delivered_kg"]
    return found


def correct(after_s: float, **what: Any) -> tuple[float, dict[str, Any]]:
    return STEP_S + after_s, {"action": "correct", "recognised": "a#1", **what}


@pytest.mark.parametrize(("step_kg", "after_s"), [(3.0, 8.0), (8.0, 15.0), (8.0, 60.0)])
def test_a_step_said_to_be_product_counts_once_however_soon_it_is_said(
    step_kg: float, after_s: float
) -> None:
    assert delivered_kg(step_kg, correct(after_s, was="product")) == pytest.approx(1.74 + step_kg, abs=0.03)


def test_taking_a_correction_back_leaves_nothing_behind() -> None:
    twice = correct(15.0, was="product"), correct(17.0, was="change")
    assert delivered_kg(8.0, *twice) == pytest.approx(delivered_kg(8.0), abs=0.003)
