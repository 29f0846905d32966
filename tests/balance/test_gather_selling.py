"""Grades, prices and costs: from the books to the weigh-up."""

from __future__ import annotations

import pytest

from logger.balance.faults import WeighUpError
from tests.balance.test_gather import ASSAY, Office


@pytest.fixture
def office() -> Office:
    office = Office()
    office.take("concentrate", "C1")
    office.say("sample-result", sample="C1", assay=ASSAY)
    return office


def test_what_was_not_said_is_not_there(office: Office) -> None:
    document = office.of_run()
    assert (document.sales, document.prices, document.contents) == ({}, None, {})


def test_a_product_stands_with_its_grade_and_its_answers(office: Office) -> None:
    office.say("sell-as", outlet="concentrate", grade="scrap", answers={"dry": True}, lot="L1")
    sale = office.of_run().sales["concentrate"]
    assert (sale.grade, sale.answers) == ("scrap", {"dry": True})


def test_prices_and_costs_stand_by_stream_and_by_pass(office: Office) -> None:
    fields = {"component": "bronze", "payable": "96 %", "treatment": 0.1}
    office.say("price", outlet="concentrate", per_kg=6, currency="EUR", lot="L1", **fields)
    office.say("pass-cost", per_hour=30, currency="EUR", lot="L1")
    prices = office.of_run().prices
    assert prices is not None
    price, cost = prices.products["concentrate"], prices.passes["run-1"]
    assert (prices.currency, price.per_kg, price.component, price.payable) == ("EUR", 6.0, "bronze", 0.96)
    assert (cost.per_hour, cost.hours) == (30.0, pytest.approx(9 / 60))  # the run's own: minutes 1 to 10


def test_a_product_that_is_fed_again_is_not_sold(office: Office) -> None:
    office.run(30, 40, lot="L1", feed_from="run-1/tailings")
    office.say("price", outlet="tailings", per_kg=-0.02, currency="EUR", lot="L1")
    prices = office.of_lot().prices
    assert prices is not None
    assert list(prices.products) == ["run-2/tailings"]


def test_contents_are_told_of_components_that_were_looked_for(office: Office) -> None:
    office.say("consists-of", component="bronze", shares={"Cu": "88 %"}, u="0.5 %", lot="L1")
    office.say("consists-of", component="brass", shares={"Cu": "63 %"}, lot="L1")
    contents = office.of_run().contents
    assert list(contents) == ["bronze"]
    assert (contents["bronze"]["Cu"].share, contents["bronze"]["Cu"].u) == (0.88, 0.005)


def test_two_currencies_in_one_weigh_up_are_refused(office: Office) -> None:
    office.say("price", outlet="concentrate", per_kg=6, currency="EUR", lot="L1")
    office.say("pass-cost", per_hour=30, currency="USD", run="run-1")
    with pytest.raises(WeighUpError, match=r"several currencies: EUR \(entry \d+\); USD \(entry \d+\)"):
        office.of_run()
