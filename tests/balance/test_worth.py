"""Worth, loss and another pass: against hand calculation, `uncertainties` and draws."""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError
from uncertainties import ufloat

from logger.balance.another_pass import PassShape, another_pass
from logger.balance.selling import Again, Content, PassCost, Price, Prices
from logger.balance.worth import worth
from tests.balance.joints import lot

FINALS = ("concentrate", "middlings", "tailings")
FEEDS = {"first": ("feed",)}
SHAPES = {"first": PassShape(("feed",), FINALS)}
BY_KG = Price(per_kg=4.0, basis="dry")


def priced(joint=None, **more):
    prices = Prices(currency="EUR", **more)
    return worth(prices, joint or lot(), wanted="bronze", finals=FINALS, feeds=FEEDS)


def test_a_product_is_worth_its_mass_times_its_price():
    found = priced(products={"concentrate": BY_KG}).products["concentrate"].estimate
    assert (found.value, found.u) == pytest.approx((80.0, 0.4))


def test_a_price_of_the_wet_product_takes_its_wet_mass():
    """20 kg dry at 5 ± 0.5 % moisture; as `uncertainties` has it."""
    found = priced(products={"concentrate": Price(per_kg=4.0)}).products["concentrate"].estimate
    expected = 4.0 * ufloat(20.0, 0.1) / (1.0 - ufloat(0.05, 0.005))
    assert (found.value, found.u) == pytest.approx((expected.n, expected.s))


def test_a_contained_component_is_paid_after_deduction_and_treatment():
    """20 kg · (5 · 0.9 · (0.96 - 0.02) - 0.3); as `uncertainties` has it."""
    price = Price(per_kg=5.0, component="bronze", payable=0.9, deduction=0.02, treatment=0.3)
    found = priced(products={"concentrate": price}).products["concentrate"].estimate
    expected = ufloat(20.0, 0.1) * (5.0 * 0.9 * (ufloat(0.96, 0.01) - 0.02) - 0.3)
    assert (found.value, found.u) == pytest.approx((expected.n, expected.s))


def test_a_deduction_above_the_grade_pays_nothing_and_says_so():
    price = Price(per_kg=5.0, component="bronze", deduction=0.5)
    found = priced(products={"middlings": price})
    assert found.products["middlings"].estimate.value == 0.0
    assert "nothing is paid for it" in found.notes[-2] + found.notes[-1]


def test_what_was_lost_is_so_much_more_of_the_product():
    """70 kg at 2.23 % is 1.561 kg of bronze, 1.626 kg of a product of 96 %, at 4 each."""
    found = priced(products={"concentrate": BY_KG}, lost_in=("tailings",)).lost["tailings"].estimate
    expected = 4.0 * ufloat(70.0, 0.1) * ufloat(0.0223, 0.01) / ufloat(0.96, 0.01)
    assert (found.value, found.u) == pytest.approx((expected.n, expected.s))


def test_the_total_is_all_products_less_all_costs_with_what_they_share():
    """The feed costs 0.1 a kg; the products' masses are independent here."""
    costs = {"first": PassCost(per_hour=12.0, hours=2.0, per_kg=0.1)}
    prices = {"concentrate": BY_KG, "tailings": Price(per_kg=-0.05, basis="dry")}
    found = priced(products=prices, passes=costs).total.estimate
    expected = 4.0 * ufloat(20.0, 0.1) - 0.05 * ufloat(70.0, 0.1) - 24.0 - 0.1 * ufloat(100.0, 0.1)
    assert (found.value, found.u) == pytest.approx((expected.n, expected.s))


@given(st.floats(-50.0, 50.0), st.floats(-10.0, 10.0))
def test_worth_is_linear_in_prices(price, factor):
    one, other = (
        priced(products={"concentrate": Price(per_kg=p, basis="dry")}).total.estimate
        for p in (price, factor * price)
    )
    assert other.value == pytest.approx(factor * one.value, abs=1e-9)
    assert other.u == pytest.approx(abs(factor) * one.u, abs=1e-9)


def test_draws_and_linear_propagation_agree():
    price = Price(per_kg=5.0, component="bronze", payable=0.9, deduction=0.02)
    linear, drawn = (
        priced(joint, products={"concentrate": price}).total.estimate for joint in (lot(), lot(draws=100_000))
    )
    assert (drawn.u, drawn.low, drawn.high) == pytest.approx((linear.u, linear.low, linear.high), rel=0.02)


def test_a_wet_price_without_moisture_says_what_is_missing():
    found = priced(lot(moisture=None), products={"concentrate": Price(per_kg=4.0)})
    assert found.total.estimate is None
    assert found.products["concentrate"].missing == ("the wet mass of concentrate",)


def test_a_price_of_an_unknown_stream_is_told_and_not_used():
    found = priced(products={"concentrate": BY_KG, "slimes": BY_KG})
    assert list(found.products) == ["concentrate"]
    assert any("no stream slimes" in note for note in found.notes)


def test_what_went_over_again_is_told_but_not_counted_twice():
    prices = Prices(currency="EUR", products={"concentrate": BY_KG, "middlings": BY_KG})
    found = worth(prices, lot(), wanted="bronze", finals=("concentrate", "tailings"), feeds=FEEDS)
    assert found.products["middlings"].estimate.value == pytest.approx(40.0)
    assert found.total.estimate.value == pytest.approx(80.0)
    assert any("middlings went over the table again" in note for note in found.notes)


def test_worth_is_plain_json():
    told = priced(products={"concentrate": BY_KG}).to_json()
    assert json.loads(json.dumps(told)) == told


def again(joint=None, price=BY_KG, others=None, **more):
    prices = Prices(currency="EUR", products={"concentrate": price, **(others or {})})
    said = Again(sold_as="concentrate", **more)
    return another_pass("middlings", said, prices, joint or lot(), wanted="bronze", passes=SHAPES)


def typed(recovery=0.8, u=0.02, grade=0.9):
    return {"recovery": Content(share=recovery, u=u), "grade": Content(share=grade, u=0.01)}


@pytest.mark.parametrize(("per_kg", "expected"), [(0.5, "pays"), (2.0, "does not pay"), (1.05, "can't tell")])
def test_another_pass_pays_where_the_gain_is_surely_above_its_cost(per_kg, expected):
    """3 kg of bronze, 80 % won at 90 %: 2.667 kg at 4 = 10.67, against 10 kg times the cost."""
    assert again(cost=PassCost(per_kg=per_kg), **typed()).verdict == expected


def test_the_gain_and_the_break_even_are_as_calculated_by_hand():
    found = again(cost=PassCost(per_hour=4.0, hours=0.5), **typed())
    held = ufloat(10.0, 0.1) * ufloat(0.30, 0.01)
    expected = ufloat(0.8, 0.02) * held / ufloat(0.9, 0.01) * 4.0 - 2.0
    assert (found.gain.value, found.gain.u) == pytest.approx((expected.n, expected.s))
    assert found.break_even.value == pytest.approx(2.0 * 0.9 / (4.0 * 3.0))


def test_at_its_break_even_recovery_a_pass_gains_nothing():
    cost = PassCost(per_hour=4.0, hours=0.5)
    even = again(cost=cost, **typed()).break_even.value
    assert again(cost=cost, **typed(recovery=even)).gain.value == pytest.approx(0.0, abs=1e-12)


def test_what_the_stream_brings_as_it_is_counts_against_the_pass():
    gains = [
        again(others=others, **typed()).gain.value
        for others in ({}, {"middlings": Price(per_kg=0.4, basis="dry")})
    ]
    assert gains[0] - gains[1] == pytest.approx(4.0)


def test_what_is_left_of_a_burden_still_costs():
    """10 kg at -0.4: of 10 kg, 2.667 go into the concentrate and cost no more; 1.07 gained."""
    burden = again(others={"middlings": Price(per_kg=-0.4, basis="dry")}, **typed())
    assert burden.gain.value - again(**typed()).gain.value == pytest.approx(0.4 * 3.0 * 0.8 / 0.9)
    assert burden.break_even.value == pytest.approx(0.0)


def test_a_product_that_costs_to_be_rid_of_pays_at_no_recovery():
    found = again(price=Price(per_kg=-4.0, basis="dry"), **typed())
    assert found.verdict == "does not pay"
    assert "Not even a recovery of 100 % would pay" in found.says


def test_the_lots_own_pass_lends_its_recovery_with_a_warning():
    """19.2 kg of bronze in 20 kg of concentrate, of 23.76 fed."""
    found = again()
    assert (found.recovery.value, found.grade.value) == pytest.approx((19.2 / 23.76, 0.96))
    assert "often separates worse again" in found.notes[0]


def test_where_full_recovery_would_not_pay_it_says_so():
    assert "Not even a recovery of 100 % would pay" in again(cost=PassCost(per_kg=5.0), **typed()).says


def test_an_impossible_pair_of_recovery_and_grade_is_not_judged():
    found = again(**typed(recovery=1.0, grade=0.2))
    assert found.verdict == "can't tell"
    assert "would weigh more than the middlings" in found.notes[-1]


def test_without_a_price_nothing_is_judged():
    prices = Prices(currency="EUR")
    found = another_pass(
        "middlings", Again(sold_as="concentrate"), prices, lot(), wanted="bronze", passes=SHAPES
    )
    assert found.missing == ("a price of concentrate",)
    assert json.loads(json.dumps(found.to_json())) == found.to_json()


def test_a_cost_by_the_hour_without_hours_says_what_is_missing():
    found = priced(products={"concentrate": BY_KG}, passes={"first": PassCost(per_hour=3.0)})
    assert found.total.missing == ("how many hours first takes",)
    assert again(cost=PassCost(per_hour=3.0), **typed()).missing == (
        "how many hours another pass over middlings takes",
    )


@pytest.mark.parametrize(
    ("model", "said", "words"),
    [
        (Price, {"per_kg": 1.0, "payable": 0.9}, 'need the "component"'),
        (Price, {"per_kg": 1.0, "component": "bronze", "basis": "wet"}, "paid by the dry mass"),
        (Price, {"per_kg": float("nan")}, "finite"),
    ],
)
def test_prices_that_make_no_sense_say_why(model, said, words):
    with pytest.raises(ValidationError, match=words):
        model(**said)
