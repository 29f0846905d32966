"""Scales: where their calibration uncertainty comes from, and what their check weights say."""

from datetime import UTC, datetime, timedelta
from math import sqrt

import pytest
from scipy import stats

from logger.balance.checks import STUDENT_975, drift, judge, latest, scale_warnings, student
from logger.balance.document import CheckWeight, Scale, WeighUp
from logger.balance.faults import WeighUpError
from logger.balance.scales import calibration

DAY = datetime(2026, 11, 1, 8, tzinfo=UTC)


def check(error_g, nominal=10.0, at=None, u_g=0.0):
    return CheckWeight(
        nominal=nominal,
        shown=nominal + error_g / 1000,
        u_nominal=u_g / 1000,
        at=None if at is None else DAY + timedelta(days=at),
    )


def known(net=10.0, **scale):
    """Calibration of a scale of 5 g on which ``net`` was weighed."""
    streams = {"a": {"net": net, "scale": "s"}}
    document = WeighUp.model_validate({"scales": {"s": {"resolution": "5 g", **scale}}, "streams": streams})
    return calibration("s", "streams.a.scale", document)


def test_without_anything_known_the_calibration_is_assumed_and_said():
    found = known()
    assert found.u == pytest.approx(0.002 / sqrt(3))
    assert any("assumed to be within 0.2 %" in each for each in found.notes)


def test_of_a_class_twice_the_limit_at_the_greatest_load_is_taken():
    """10 kg on a class III scale of 5 g: ±5 g at verification, ±10 g in service, rectangular."""
    found = known(accuracy_class="III")
    assert (found.u, found.shape) == (pytest.approx(0.010 / 10 / sqrt(3)), "rectangular")


def test_a_load_beyond_the_class_is_said():
    assert any("more than its class" in each for each in known(net=60.0, accuracy_class="III").notes)


def test_check_weights_count_before_the_class():
    """One check without error: what is left is the rounding of the one reading at that weight."""
    found = known(accuracy_class="III", checks=[check(0)])
    assert found.u == pytest.approx(0.005 / sqrt(12) / 10)


def test_a_known_error_counts_in_full_and_is_said():
    found = known(checks=[check(50)])
    assert found.u == pytest.approx(sqrt(0.005**2 + (0.005 / sqrt(12) / 10) ** 2))
    assert any("shows 0.5 % too much" in each for each in found.notes)


def test_the_check_weights_own_uncertainty_does_not_average_out():
    found = known(checks=[check(0, u_g=20)] * 10)
    assert found.u >= 0.002


def test_checks_that_scatter_make_the_calibration_uncertain():
    steady, unsteady = known(checks=[check(0)] * 4), known(checks=[check(e) for e in (-40, 40, -40, 40)])
    assert unsteady.u > 10 * steady.u


def test_a_failed_last_check_is_said():
    assert any("last check failed" in each for each in known(tolerance="10 g", checks=[check(15)]).notes)


def test_a_step_of_zero_is_said():
    assert any("a step of 0" in each for each in known(resolution=0).notes)


def test_an_unknown_scale_is_refused():
    with pytest.raises(WeighUpError, match='there is no scale "x"'):
        calibration("x", "here", WeighUp.model_validate({"streams": {"a": {}}}))


# ------------------------------------------------------------------ verdicts

CLASS_III = Scale(resolution=0.005, accuracy_class="III")


@pytest.mark.parametrize(
    ("error_g", "verdict"), [(0, "passes"), (10, "passes"), (-10, "passes"), (10.1, "fails"), (-15, "fails")]
)
def test_a_good_weight_passes_up_to_the_limit_in_service(error_g, verdict):
    """10 kg of 5 g, class III: ±10 g in service."""
    assert judge(check(error_g), CLASS_III).verdict == verdict


def test_the_bays_own_tolerance_rules_where_there_is_one():
    found = judge(check(8), Scale(resolution=0.005, accuracy_class="III", tolerance=0.005))
    assert (found.verdict, found.limit, found.source) == ("fails", 0.005, "the bay's own tolerance")


@pytest.mark.parametrize(
    ("error_g", "verdict"), [(2, "passes"), (9, "can't tell"), (12, "can't tell"), (30, "fails")]
)
def test_a_weight_known_to_worse_than_a_third_decides_only_what_is_clear(error_g, verdict):
    """Its error may be 6 g (2 u) where 10 g are allowed."""
    assert judge(check(error_g, u_g=3), CLASS_III).verdict == verdict


def test_a_weight_known_to_a_third_is_a_standard():
    assert judge(check(9.9, u_g=10 / 6), CLASS_III).verdict == "passes"


def test_without_a_limit_nothing_can_be_told():
    assert judge(check(100), Scale(resolution=0.005)).verdict == "can't tell"


def test_an_empty_scale_can_be_checked_too():
    """At no load ±0.5 e, in service ±1 e."""
    assert judge(CheckWeight(nominal=0, shown=0.005), CLASS_III).verdict == "passes"
    assert judge(CheckWeight(nominal=0, shown=0.006), CLASS_III).verdict == "fails"


def test_a_verdict_speaks_the_persons_unit():
    assert "10 lb was shown as 10.022 lb" in judge(check(10, nominal=4.5359237), CLASS_III, "lb").says


# ------------------------------------------------------------------ drift and age


def scale(*checks):
    return Scale(resolution=0.005, accuracy_class="III", checks=checks)


def test_a_steady_climb_is_a_drift():
    """1 g in 10 kg a day is 1e-4 a day."""
    found = drift(scale(*(check(10.0 * k, at=10 * k) for k in range(6))))
    assert found.per_day == pytest.approx(1e-4)
    assert found.significant
    assert "it drifts: +0.3 % in 30 days" in found.says


def test_a_slope_and_its_uncertainty_are_those_of_least_squares():
    days, errors = [0, 3, 10, 17, 30], [30.0, -20.0, 50.0, 40.0, -10.0]
    found = drift(scale(*(check(e, at=d) for d, e in zip(days, errors, strict=True))))
    line = stats.linregress(days, [e / 10_000 for e in errors])
    assert (found.per_day, found.u) == pytest.approx((line.slope, line.stderr))
    assert found.significant == (line.pvalue < 0.05)


def test_rounding_alone_is_no_drift():
    """Errors of a step up and down, the last two alike."""
    assert not drift(scale(check(0, at=0), check(2.5, at=1), check(5, at=2))).significant


@pytest.mark.parametrize(
    "checks", [(), (check(0, at=0), check(5, at=1)), (check(0, at=0),) * 3, (check(0),) * 5]
)
def test_too_few_checks_tell_of_no_drift(checks):
    assert drift(scale(*checks)) is None


def test_students_t_is_that_of_the_tables():
    assert pytest.approx(stats.t.ppf(0.975, range(1, 31)), abs=6e-4) == STUDENT_975
    assert student(1000) == STUDENT_975[-1]


def test_the_latest_check_is_the_latest_by_time():
    assert latest(scale(check(1, at=5), check(2, at=9), check(3, at=1), check(4))).shown == 10.002


def test_without_times_the_latest_is_the_last_named():
    assert latest(scale(check(1), check(2))).shown == 10.002


def told(now_day, *checks):
    return " ".join(scale_warnings(scale(*checks), DAY + timedelta(days=now_day)))


def test_a_scale_that_was_checked_lately_needs_no_words():
    assert told(3, check(0, at=0)) == ""


def test_an_old_check_is_a_warning():
    assert "31 days ago" in told(31, check(0, at=0))


def test_a_scale_that_was_never_checked_is_a_warning():
    assert "never checked" in told(0)


def test_a_failed_check_is_a_warning():
    assert "its last check failed: 10 kg was shown as 10.02 kg" in told(1, check(20, at=0))


def test_an_undated_check_is_a_warning():
    assert "isn't known when" in told(0, check(0))


def test_a_check_in_the_future_is_asked_about():
    assert "is the time right?" in told(-2, check(0, at=0))
