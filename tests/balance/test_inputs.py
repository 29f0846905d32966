"""Inputs: shared ones correlate, derivatives are exact, draws have the shape they say."""

import numpy as np
import pytest

from logger.balance.inputs import Input, Inputs, covariance, evaluate, jacobian


def test_two_masses_that_share_a_tare_are_correlated_by_it():
    """Covariance of two nets with one tare is the tare's variance; JCGM 100, 5.2.4 (from memory)."""
    inputs = Inputs()
    tare = inputs.add(Input("tare", 1.0, 0.3))
    gross = [inputs.add(Input(f"gross {k}", 5.0 + k, 0.1)) for k in range(2)]
    nets = [lambda z, g=g: g(z) - tare(z) for g in gross]
    assert covariance(nets, inputs) == pytest.approx(np.array([[0.10, 0.09], [0.09, 0.10]]))


def test_the_same_input_twice_is_one():
    inputs = Inputs()
    inputs.add(Input("tare", 1.0, 0.3))
    inputs.add(Input("tare", 1.0, 0.3))
    assert len(inputs) == 1


def test_two_inputs_of_one_name_are_refused():
    inputs = Inputs()
    inputs.add(Input("tare", 1.0, 0.3))
    with pytest.raises(ValueError, match="two different inputs are called tare"):
        inputs.add(Input("tare", 2.0, 0.3))


def test_derivatives_are_exact():
    """d(a/b) = da/b - a db/b² to rounding, also where b is tiny."""
    inputs = Inputs()
    a, b = inputs.add(Input("a", 3.0, 0.1)), inputs.add(Input("b", 1e-6, 1e-9))
    found = jacobian([lambda z: a(z) / b(z)], inputs.values)
    assert found[0] == pytest.approx([1e6, -3e12], rel=1e-14)


@pytest.mark.parametrize("shape", ["normal", "rectangular", "triangular", "gamma"])
def test_draws_have_the_mean_and_the_uncertainty_that_were_said(shape):
    inputs = Inputs()
    term = inputs.add(Input("x", 4.0, 0.5, shape))
    drawn = evaluate([term], inputs.draw(200_000, seed=3))[:, 0]
    assert drawn.mean() == pytest.approx(4.0, abs=0.005)
    assert drawn.std() == pytest.approx(0.5, rel=0.01)


def test_the_same_seed_gives_the_same_draws():
    inputs = Inputs()
    inputs.add(Input("x", 4.0, 0.5))
    assert np.array_equal(inputs.draw(10, seed=5), inputs.draw(10, seed=5))
    assert not np.array_equal(inputs.draw(10, seed=5), inputs.draw(10, seed=6))


@pytest.mark.parametrize(("value", "u"), [(float("nan"), 0.1), (1.0, -0.1), (1.0, float("inf"))])
def test_an_input_that_is_no_number_is_refused(value, u):
    with pytest.raises(ValueError, match="must be finite"):
        Input("x", value, u)


@pytest.mark.parametrize("found", [0.0, 1.0, 17.5, 4000.0])
def test_a_count_has_the_plain_count_as_its_value_and_jeffreys_gamma_as_its_draws(found):
    """Mean (k + 1/2)·each, standard deviation √(k + 1/2)·each, though the value is k·each."""
    one = Input.counted("x", found, 0.02)
    assert one.value == found * 0.02
    assert one.gamma == pytest.approx((found + 0.5, 0.02))
    inputs = Inputs()
    inputs.add(one)
    drawn = inputs.draw(200_000)[:, 0]
    assert drawn.min() >= 0.0
    assert drawn.mean() == pytest.approx((found + 0.5) * 0.02, rel=0.02)
    assert drawn.std() == pytest.approx(one.u, rel=0.02)


@pytest.mark.parametrize(("found", "each"), [(-1.0, 1.0), (1.0, 0.0), (float("nan"), 1.0)])
def test_a_count_of_less_than_nothing_is_refused(found, each):
    with pytest.raises(ValueError, match="must be at least 0 and above 0"):
        Input.counted("x", found, each)
