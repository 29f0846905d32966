"""Comparison: shared scales cancel, many differences are corrected for, no cause is claimed."""

from __future__ import annotations

import json

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from logger.balance.compare import Run, compare, holm
from logger.balance.inputs import Input, Inputs, evaluate, jacobian
from logger.balance.joint import Joint, joint_of_balance
from logger.balance.result import ComponentOf, Estimate, How, PassOf, Result, StreamOf


def known(value, u=0.01, how=How.CALCULATED):
    return Estimate(value, u, value - 1.96 * u, value + 1.96 * u, how)


def result(grade=0.9, recovery=0.8, share=0.2, u=0.01, how=How.CALCULATED, closure=1.0):
    part = ComponentOf(None, known(grade, u, how), None, known(recovery, u), None)
    feed = ComponentOf(None, known(0.2, u), None, None, None)
    streams = {
        "feed": StreamOf("feed", "feed", None, None, None, known(100.0), None, {"bronze": feed}),
        "concentrate": StreamOf(
            "concentrate", "product", None, None, None, known(20.0), known(share, u), {"bronze": part}
        ),
    }
    one = PassOf(
        "first", ("feed",), ("concentrate",), known(closure, u), {}, {}, {}, {"concentrate": None}, {}, {}
    )
    return Result("L", "", "kg", "bronze", streams, {"first": one}, None, "linear", "", 0, ())


def row(found, figure, pair=0):
    return next(one for one in found.pairs[pair].differences if one.figure == figure)


def test_a_run_compared_with_itself_does_not_differ():
    found = compare([Run("A", result()), Run("B", result())])
    assert [one.difference.value for one in found.pairs[0].differences] == [0.0] * len(
        found.pairs[0].differences
    )
    assert not any(one.significant for one in found.pairs[0].differences)
    assert "do not differ in anything" in found.pairs[0].says


def test_a_difference_is_tested_two_sided_against_its_uncertainty():
    """scipy.stats.norm: 0.04 with u = 0.01·√2."""
    found = row(compare([Run("A", result()), Run("B", result(grade=0.94))]), "grade of bronze in concentrate")
    assert found.difference.u == pytest.approx(0.01 * 2**0.5)
    assert found.p == pytest.approx(2 * stats.norm.sf(0.04 / (0.01 * 2**0.5)))


def test_a_difference_that_is_one_of_many_must_be_larger():
    """0.03 is 2.12 u: significant alone (p 0.034), not as one of five."""
    found = row(compare([Run("A", result()), Run("B", result(grade=0.93))]), "grade of bronze in concentrate")
    assert found.p < 0.05
    assert (found.p_corrected, found.significant) == (pytest.approx(5 * found.p), False)


def test_holm_as_calculated_by_hand():
    """0.01·4, 0.013·3 (not below the first), 0.03·2, 0.04."""
    assert holm([0.03, 0.01, 0.04, 0.013]) == pytest.approx([0.06, 0.04, 0.06, 0.04])


@given(st.lists(st.floats(0.0, 1.0), min_size=1, max_size=12))
def test_holm_lies_between_no_correction_and_bonferroni(p):
    corrected = holm(p)
    assert all(one <= c <= min(1.0, len(p) * one) + 1e-12 for one, c in zip(p, corrected, strict=True))
    assert [corrected[k] for k in np.argsort(p, kind="stable")] == sorted(corrected)


def test_under_no_difference_at_all_hardly_ever_one_is_named():
    """Family-wise error of 2000 comparisons of 10 independent figures: at most 5 % but for chance."""
    random = np.random.default_rng(5)
    p = 2 * stats.norm.sf(np.abs(random.normal(size=(2000, 10))))
    wrong = sum(min(holm(list(row))) <= 0.05 for row in p) / 2000
    assert 0.035 < wrong < 0.065


def joint(calibration: float, own: float, grade: float) -> Joint:
    """Masses of 100 and 20 kg; only the concentrate is on the scale whose error the runs share."""
    inputs = Inputs()
    factor = inputs.add(Input('calibration of scale "bench"', 0.0, calibration))
    feed = inputs.add(Input("feed", 100.0, own))
    load = inputs.add(Input("concentrate", 20.0, own))
    assay, head = inputs.add(Input("assay", grade, 0.0)), inputs.add(Input("head", 0.2, 0.0))
    terms = [feed, lambda z: load(z) * (1.0 + factor(z)), head, assay]
    return joint_of_balance(
        ("feed", "concentrate"),
        ("bronze",),
        x=evaluate(terms, inputs.values),
        by_z=jacobian(terms, inputs.values),
        known=np.ones(4, dtype=bool),
        inputs=inputs,
        more={},
    )


def test_what_a_shared_scale_does_to_both_cancels():
    """Yield 0.2: u 0.002 from the scale, 0.0002 from each run's own weighing, which is left."""
    one = joint(0.01, 0.02, 0.9)
    of_yield = one.tell(lambda x: x[..., 1] / x[..., 0])
    runs = [Run(name, result(u=of_yield.u), {}, one) for name in "AB"]
    alone = [Run(run.name, run.result) for run in runs]
    found, apart = (row(compare(those), "yield in concentrate").difference.u for those in (runs, alone))
    assert apart == pytest.approx(of_yield.u * 2**0.5)
    assert found == pytest.approx((2 * (of_yield.u**2 - 0.002**2)) ** 0.5)


def test_scales_of_one_name_that_are_not_alike_do_not_cancel():
    runs = [Run("A", result(), {}, joint(0.01, 0.02, 0.9)), Run("B", result(), {}, joint(0.02, 0.02, 0.9))]
    assert row(compare(runs), "yield in concentrate").difference.u == pytest.approx(0.01 * 2**0.5)


def test_an_estimate_is_shown_and_not_tested():
    found = row(
        compare([Run("A", result()), Run("B", result(grade=0.2, how=How.ESTIMATED))]),
        "grade of bronze in concentrate",
    )
    assert (found.p, found.significant) == (None, False)
    assert "rests on an estimate" in found.says


def test_where_several_settings_changed_no_cause_is_named():
    runs = [
        Run("A", result(), {"tilt": "4°", "stroke": "12 mm", "water": 8.0}),
        Run("B", result(grade=0.99), {"tilt": "5°", "stroke": "15 mm", "water": 8.0}),
    ]
    pair = compare(runs).pairs[0]
    assert [one.setting for one in pair.changed] == ["tilt", "stroke"]
    assert "2 settings changed at once: which of them, if any, is the cause can't be told" in pair.says


def test_even_of_a_single_changed_setting_no_cause_is_claimed():
    runs = [Run("A", result(), {"tilt": "4°"}), Run("B", result(grade=0.99), {"tilt": "5°"})]
    assert "whether it is the cause, only repeats can tell" in compare(runs).pairs[0].says


def test_three_runs_are_three_pairs_and_one_correction():
    found = compare([Run(name, result()) for name in "ABC"])
    assert ([(p.first, p.second) for p in found.pairs], found.tests) == (
        [("A", "B"), ("A", "C"), ("B", "C")],
        3 * len(found.pairs[0].differences),
    )


def test_what_only_one_run_has_is_listed():
    more = result()
    more.streams["middlings"] = more.streams["concentrate"]
    found = compare([Run("A", result()), Run("B", more)]).pairs[0]
    assert "yield in middlings" in found.only_in["B"]
    assert found.only_in["A"] == ()


@pytest.mark.parametrize(("names", "words"), [("A", "at least two"), ("AA", "the same name")])
def test_a_comparison_that_makes_no_sense_says_why(names, words):
    with pytest.raises(ValueError, match=words):
        compare([Run(name, result()) for name in names])


def test_a_comparison_is_plain_json():
    told = compare([Run("A", result(), {"tilt": "4°"}), Run("B", result(grade=0.99), {})]).to_json()
    assert json.loads(json.dumps(told)) == told
