"""Grades, prices and costs: what stands for a run, of itself or of its lot."""

from __future__ import annotations

from typing import Any

import pytest

from logger.core.actions import BODY
from tests.core.test_books import Clerk


@pytest.fixture
def clerk() -> Clerk:
    """A lot over two runs."""
    clerk = Clerk()
    clerk.say(0, "open-lot", lot="L1")
    for minute in (1, 10):
        clerk.say(minute, "start-run", lot="L1")
        clerk.say(minute + 5, "end-run")
    return clerk


def standing(clerk: Clerk, kind: str, run: str = "run-1") -> list[dict[str, Any]]:
    return [{k: v for k, v in each.items() if k != "entry"} for each in clerk.run(run)["selling"][kind]]


def test_a_grade_is_sold_by_the_run_and_its_answers_are_joined(clerk: Clerk) -> None:
    said = {"outlet": "concentrate", "run": "run-1"}
    clerk.say(20, "sell-as", grade="scrap", answers={"dry": True}, **said)
    clerk.say(21, "sell-as", grade="scrap", answers={"oily": False}, **said)
    assert standing(clerk, "sales") == [
        {"outlet": "concentrate", "grade": "scrap", "answers": {"dry": True, "oily": False}}
    ]
    assert standing(clerk, "sales", "run-2") == []


def test_another_grade_asks_its_own_conditions(clerk: Clerk) -> None:
    clerk.say(20, "sell-as", grade="scrap", answers={"dry": True}, outlet="concentrate", lot="L1")
    clerk.say(21, "sell-as", grade="ingots", outlet="concentrate", lot="L1")
    assert standing(clerk, "sales") == [{"outlet": "concentrate", "grade": "ingots", "answers": {}}]


def test_what_is_said_of_a_lot_holds_for_its_runs_unless_one_says_otherwise(clerk: Clerk) -> None:
    clerk.say(20, "price", outlet="concentrate", per_kg=6, currency="EUR", lot="L1")
    clerk.say(21, "price", outlet="concentrate", per_kg=7, currency="EUR", run="run-2")
    prices = [[each["per_kg"] for each in standing(clerk, "prices", run)] for run in ("run-1", "run-2")]
    assert prices == [[6], [7]]


def test_a_price_is_amended_and_withdrawn_like_all_that_was_said(clerk: Clerk) -> None:
    clerk.say(20, "price", outlet="concentrate", per_kg=6, currency="EUR", lot="L1")
    clerk.say(21, "amend", entry=6, change={"per_kg": 5})
    assert [each["per_kg"] for each in standing(clerk, "prices")] == [5]
    clerk.say(22, "withdraw", entry=6)
    assert standing(clerk, "prices") == []


def test_what_there_is_not_is_refused(clerk: Clerk) -> None:
    said = {"per_kg": 6, "currency": "EUR"}
    clerk.refused('no lot "L9"', 20, "price", outlet="concentrate", lot="L9", **said)
    clerk.refused('no outlet "slimes"; there is concentrate', 20, "price", outlet="slimes", lot="L1", **said)
    clerk.refused('no outlet "slimes" on table', 20, "price", outlet="slimes", run="run-1", **said)
    clerk.refused('no run "run-9"', 20, "pass-cost", per_hour=30, currency="EUR", run="run-9")


@pytest.mark.parametrize(
    ("said", "why"),
    [
        ({"action": "pass-cost", "currency": "EUR"}, 'give "per_hour" or "per_kg"'),
        ({"action": "pass-cost", "currency": "EUR", "per_hour": 1, "lot": "L", "run": "r"}, "not both"),
        (
            {"action": "price", "outlet": "x", "per_kg": 1, "currency": "EUR", "payable": 0.9},
            'need the "component"',
        ),
        (
            {
                "action": "price",
                "outlet": "x",
                "per_kg": 1,
                "currency": "E",
                "component": "b",
                "basis": "wet",
            },
            "paid by the dry mass",
        ),
        ({"action": "consists-of", "component": "b", "shares": {"Cu": 0.9, "Sn": 0.2}}, "sum to 110.0%"),
    ],
)
def test_what_contradicts_itself_is_no_action(said: dict[str, Any], why: str) -> None:
    with pytest.raises(ValueError, match=why):
        BODY.validate_python(said)
