"""Compositions: plain shares as values, honest draws, nothing expected mixed into what was measured."""

import numpy as np
import pytest
from scipy import stats

from logger.balance.composition import composition
from logger.balance.document import WeighUp
from logger.balance.faults import WeighUpError
from logger.balance.inputs import Inputs, covariance, evaluate
from logger.balance.result import How

TWO = ("bronze", "rest")


class Found:
    """Composition of the stream "a": values, covariance, draws, notes."""

    def __init__(self, *samples, components=TWO, stream=None, **document):
        stream = {"net": 10, "compositions": samples, **(stream or {})}
        read = WeighUp.model_validate({"components": components, "streams": {"a": stream}, **document})
        self.inputs = Inputs()
        self.of = composition("a", read.streams["a"], read, self.inputs)
        terms = [each.term for each in self.of.values()]
        names = list(self.of)
        values = evaluate(terms, self.inputs.values)
        self.value = dict(zip(names, values, strict=True))
        self.cov = covariance(terms, self.inputs)
        self.u = dict(zip(names, np.sqrt(np.diag(self.cov)), strict=True))
        self._terms = dict(zip(names, terms, strict=True))
        self.notes = [note for each in self.of.values() for note in each.notes]

    def draws(self, component, count=100_000):
        return evaluate([self._terms[component]], self.inputs.draw(count))[:, 0]

    def says(self, words):
        return any(words in note for note in self.notes)


# ------------------------------------------------------------------ counts and hand sorts


def test_a_count_shows_the_plain_share_and_draws_jeffreys_beta():
    found = Found({"counted": {"bronze": 3, "rest": 17}})
    assert found.value["bronze"] == pytest.approx(3 / 20, abs=1e-15)
    assert found.of["bronze"].how is How.COUNTED
    drawn = np.quantile(found.draws("bronze"), [0.025, 0.5, 0.975])
    assert drawn == pytest.approx(stats.beta.ppf([0.025, 0.5, 0.975], 3.5, 17.5), abs=0.003)


def test_nothing_found_is_a_share_of_nothing_with_an_uncertainty():
    found = Found({"counted": {"bronze": 0, "rest": 20}})
    assert found.value["bronze"] == 0.0
    assert found.u["bronze"] == pytest.approx(np.sqrt(0.5) / 20)
    assert np.quantile(found.draws("bronze"), 0.975) == pytest.approx(
        stats.beta.ppf(0.975, 0.5, 20.5), abs=0.003
    )


def test_a_count_has_nearly_the_binomial_uncertainty():
    """√(p(1-p)/n) within a hundredth for a thousand pieces."""
    found = Found({"counted": {"bronze": 300, "rest": 700}})
    assert found.u["bronze"] == pytest.approx(np.sqrt(0.3 * 0.7 / 1000), rel=0.01)


def test_shares_of_a_count_are_negatively_correlated_and_sum_to_one():
    found = Found({"counted": {"bronze": 30, "rest": 70}})
    assert sum(found.value.values()) == pytest.approx(1.0)
    assert found.cov.sum() == pytest.approx(0.0, abs=1e-18)


def test_heavier_pieces_count_for_more_mass():
    found = Found({"counted": {"bronze": 10, "rest": 10}, "density": {"bronze": 8.8, "rest": 2.2}})
    assert found.value["bronze"] == pytest.approx(0.8)


def test_a_count_without_densities_says_that_pieces_were_taken_as_alike():
    assert Found({"counted": {"bronze": 1, "rest": 9}}).says("taken to weigh the same")


def test_a_hand_sort_by_mass_is_worth_fewer_pieces_than_it_has():
    """400 pieces of CV 1 tell as much as 200: relative variance (1 + CV²)/n."""
    found = Found({"sorted": {"bronze": "30 g", "rest": "70 g"}, "pieces": 400})
    assert found.value["bronze"] == pytest.approx(0.3)
    assert found.u["bronze"] == pytest.approx(np.sqrt(0.3 * 0.7 / 200), rel=0.02)
    assert found.of["bronze"].how is How.SORTED


def test_a_hand_sort_by_size_and_density_has_gys_fundamental_error():
    """0.5·0.25·d³·(1-a)/a·[(1-a)ρ + aρ']/M, liberated grains of 2 mm, 100 g, of a stream of 10 t."""
    density = {"bronze": 8.8, "rest": 2.6}
    found = Found(
        {"sorted": {"bronze": "30 g", "rest": "70 g"}, "size": "2 mm", "density": density},
        stream={"net": 10_000},
    )
    relative = 0.125 * 0.2**3 * (0.7 / 0.3) * (0.7 * 8.8 + 0.3 * 2.6) / 100
    assert found.u["bronze"] / 0.3 == pytest.approx(np.sqrt(relative), rel=0.01)


def test_of_pieces_and_gy_the_greater_uncertainty_counts():
    one = {"sorted": {"bronze": "30 g", "rest": "70 g"}, "size": "2 mm", "density": 5.0}
    gy = Found(one)
    many, few = Found({**one, "pieces": 10**6}), Found({**one, "pieces": 50})
    assert many.u["bronze"] == pytest.approx(gy.u["bronze"])
    assert few.u["bronze"] > 2 * gy.u["bronze"]


def test_a_hand_sort_of_unknown_grains_says_what_was_assumed():
    assert Found({"sorted": {"bronze": "30 g", "rest": "70 g"}}).says("100 were assumed")


def test_a_sample_that_was_the_whole_stream_has_no_error_of_sampling():
    found = Found({"sorted": {"bronze": 3, "rest": 7}, "pieces": 400}, stream={"net": 10, "dry": True})
    assert found.u["bronze"] < 1e-4
    assert found.says("all of the stream was sorted")


def test_half_the_stream_sorted_halves_the_variance():
    found = Found({"sorted": {"bronze": 1.5, "rest": 3.5}, "pieces": 400}, stream={"net": 10, "dry": True})
    assert found.u["bronze"] ** 2 == pytest.approx(0.5 * 0.3 * 0.7 / 200, rel=0.02)


def test_a_sample_heavier_than_its_stream_is_asked_about():
    assert Found({"sorted": {"bronze": 30, "rest": 70}, "pieces": 400}).says(
        "more than the stream it is from"
    )


def test_small_portions_carry_the_rounding_of_their_scale():
    one = {"sorted": {"bronze": "2 g", "rest": "98 g"}, "pieces": 10**9, "scale": "fine"}
    found = Found(one, scales={"fine": {"resolution": "1 g"}})
    r = 1 / np.sqrt(12)
    assert found.u["bronze"] == pytest.approx(np.hypot(0.98 * r, 0.02 * r) / 100, rel=1e-3)


def test_a_component_that_is_not_named_was_not_found_and_that_is_said():
    found = Found({"counted": {"bronze": 5, "slag": 5}}, components=("bronze", "slag", "sand"))
    assert found.value["sand"] == 0.0
    assert found.says("sand is not named")


def test_of_an_open_list_what_is_not_named_stays_unknown():
    found = Found(
        {"counted": {"bronze": 5, "slag": 5}}, components=("bronze", "slag", "sand"), complete=False
    )
    assert "sand" not in found.of


def test_one_portion_alone_is_refused():
    with pytest.raises(WeighUpError, match='only "bronze" is named, which would make it 100 %'):
        Found({"sorted": {"bronze": "5 g"}})


def test_unknown_components_are_refused_with_their_place():
    with pytest.raises(WeighUpError, match=r'compositions\.0\.counted: there is no component "gold"'):
        Found({"counted": {"gold": 1, "rest": 1}})


def test_faults_of_all_samples_come_at_once():
    with pytest.raises(WeighUpError) as error:
        Found({"counted": {"gold": 1, "rest": 1}}, {"sorted": {"bronze": 1}})
    assert len(error.value.faults) == 2


# ------------------------------------------------------------------ assays and expectations


def test_an_assay_is_as_it_was_given():
    found = Found({"assay": {"bronze": "62 %"}, "u": "1 %"})
    assert (found.value["bronze"], found.u["bronze"]) == pytest.approx((0.62, 0.01))
    assert found.notes == []


def test_an_assay_without_an_uncertainty_gets_a_stated_one():
    found = Found({"assay": {"bronze": "90 %"}})
    assert found.u["bronze"] == pytest.approx(0.05 * 0.1)
    assert found.says("came without an uncertainty")


def test_an_assay_per_wet_mass_is_made_dry_with_the_streams_own_moisture():
    """44 % of the wet mass at 12 % moisture is 50 % of the dry: grade / 0.88."""
    stream = {"moisture": {"share": "12 %", "u": "1 %"}}
    found = Found({"assay": {"bronze": "44 %"}, "u": "1 %", "basis": "wet"}, stream=stream)
    assert found.value["bronze"] == pytest.approx(0.5)
    assert found.u["bronze"] == pytest.approx(np.hypot(0.01 / 0.88, 0.44 / 0.88**2 * 0.01))


def test_a_grade_per_wet_mass_above_the_solids_is_refused():
    stream = {"moisture": {"share": "12 %", "u": "1 %"}}
    with pytest.raises(WeighUpError, match=r"95 % of the wet mass is 108 % of the dry"):
        Found({"assay": {"bronze": "95 %"}, "u": "0.1 %", "basis": "wet"}, stream=stream)


def test_components_that_do_not_sum_are_said():
    found = Found({"assay": {"bronze": "60 %", "rest": "30 %"}, "u": "1 %"})
    assert found.says("sum to 90 %")


def test_components_that_sum_within_their_uncertainty_need_no_words():
    assert Found({"assay": {"bronze": "60 %", "rest": "39 %"}, "u": "1 %"}).notes == []


def test_exact_components_that_do_not_sum_are_said():
    assert Found({"assay": {"bronze": "60 %", "rest": "39 %"}, "u": 0}).says("sum to 99 %")


def test_an_expectation_alone_is_an_estimate():
    found = Found({"expected": {"bronze": "60 %"}, "u": "5 %"})
    assert found.of["bronze"].how is How.ESTIMATED
    assert found.inputs.estimated.all()


def test_an_expectation_beside_a_measurement_changes_nothing_but_is_compared():
    alone = Found({"assay": {"bronze": "62 %"}, "u": "1 %"})
    both = Found({"assay": {"bronze": "62 %"}, "u": "1 %"}, {"expected": {"bronze": "80 %"}, "u": "2 %"})
    assert both.of["bronze"].how is How.ASSAYED
    assert (both.value, both.u) == (alone.value, alone.u)
    assert both.says("80 % ± 2 % was expected; that does not agree")


def test_an_expectation_that_fits_is_said_to_agree():
    assert Found(
        {"assay": {"bronze": "62 %"}, "u": "1 %"}, {"expected": {"bronze": "63 %"}, "u": "2 %"}
    ).says("that agrees with")


def test_what_says_nothing_of_an_assay_is_named():
    assert Found({"assay": {"bronze": "62 %"}, "u": "1 %", "pieces": 100}).says(
        '"pieces" says nothing of an assay'
    )


# ------------------------------------------------------------------ several samples


def test_two_assays_are_combined_by_their_weights():
    """(0.60/1 + 0.63/4)/(1 + 1/4) = 0.606, u² = 1/(1 + 1/4)."""
    found = Found({"assay": {"bronze": 0.60}, "u": 0.01}, {"assay": {"bronze": 0.63}, "u": 0.02})
    assert found.value["bronze"] == pytest.approx(0.606)
    assert found.u["bronze"] == pytest.approx(0.01 * np.sqrt(0.8))


def test_two_assays_that_disagree_widen_the_result_by_birge():
    """Two figures 10 u apart: χ² = 50, one degree of freedom, ratio √50."""
    found = Found({"assay": {"bronze": 0.60}, "u": 0.01}, {"assay": {"bronze": 0.70}, "u": 0.01})
    assert found.u["bronze"] == pytest.approx(0.01 / np.sqrt(2) * np.sqrt(50))
    assert found.says("disagree more than their uncertainties allow")


def test_two_counts_are_pooled_as_one():
    """None of 20 and 10 of 80: a tenth, not pulled to nothing by the sample that found nothing."""
    found = Found({"counted": {"bronze": 0, "rest": 20}}, {"counted": {"bronze": 10, "rest": 80}})
    assert found.value["bronze"] == pytest.approx(10 / 110)
    assert sum(found.value.values()) == pytest.approx(1.0)


def test_an_exact_figure_stands_against_any_other():
    found = Found({"assay": {"bronze": 0.60}, "u": 0}, {"assay": {"bronze": 0.61}, "u": 0.02})
    assert found.value["bronze"] == 0.60


def test_two_exact_figures_that_contradict_each_other_are_said():
    found = Found({"assay": {"bronze": 0.60}, "u": 0}, {"assay": {"bronze": 0.61}, "u": 0})
    assert found.value["bronze"] == pytest.approx(0.605)
    assert found.u["bronze"] > 0.0
    assert found.says("disagree")


def test_the_same_sample_twice_is_said():
    one = {"assay": {"bronze": 0.6}, "u": 0.01, "sample": "B1"}
    assert Found(one, one).says("sample B1 was examined 2 times")
