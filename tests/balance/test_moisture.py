"""Moisture: both bases, pans, and what it means not to know it."""

import numpy as np
import pytest
from pydantic import ValidationError

from logger.balance.document import WeighUp
from logger.balance.inputs import Inputs, covariance, evaluate
from logger.balance.moisture import moisture, shown_step_kg
from logger.balance.result import How


def found(stream, **document):
    """Value, standard uncertainty and the measured figure of one stream's moisture."""
    read = WeighUp.model_validate({"streams": {"a": stream}, **document})
    inputs = Inputs()
    one = moisture("a", read.streams["a"], read, inputs)
    u = np.sqrt(covariance([one.term], inputs)[0, 0])
    return evaluate([one.term], inputs.values)[0], u, one, inputs


def test_an_unknown_moisture_is_anything_up_to_the_most_and_says_what_that_does():
    """Rectangular from 0 to 15 %: u is 15 %/√12, JCGM 100, 4.3.7; of the dry mass 4.33/92.5 = 4.68 %."""
    value, u, one, inputs = found({"net": 10}, most_moisture="15 %")
    assert (value, u) == pytest.approx((0.075, 0.15 / np.sqrt(12)))
    assert one.how is How.ESTIMATED
    assert "uncertain by 4.68 %" in one.notes[0]
    assert inputs.estimated.all()
    drawn = inputs.draw(10_000)
    assert drawn.min() >= 0.0
    assert drawn.max() <= 0.15


def test_an_unknown_moisture_of_what_was_not_weighed_needs_no_words():
    assert found({})[2].notes == ()


def test_what_was_weighed_dry_has_no_moisture_and_no_doubt():
    value, u, _, _ = found({"net": 10, "dry": True})
    assert (value, u) == (0.0, 0.0)


@pytest.mark.parametrize(("share", "basis"), [("12 %", "wet"), ("13.63636363636 %", "dry")])
def test_both_bases_give_the_share_of_the_wet_mass(share, basis):
    value, _, one, _ = found({"net": 10, "moisture": {"share": share, "basis": basis, "u": "1 %"}})
    assert value == pytest.approx(0.12)
    assert one.notes == ()


def test_more_water_than_solids_is_possible_on_the_dry_basis():
    value, _, _, _ = found({"net": 10, "moisture": {"share": "150 %", "basis": "dry", "u": "1 %"}})
    assert value == pytest.approx(0.6)


@pytest.mark.parametrize("share", ["100 %", "120 %"])
def test_all_water_is_refused_on_the_wet_basis(share):
    with pytest.raises(ValidationError, match="leaves no solids; is it on a dry basis"):
        found({"net": 10, "moisture": {"share": share}})


def test_a_moisture_without_an_uncertainty_gets_a_stated_one():
    _, u, one, _ = found({"net": 10, "moisture": {"share": "6 %"}})
    assert u == pytest.approx(0.006)
    assert "0.6 % was assumed" in one.notes[0]


def test_an_uncertainty_of_zero_is_said_to_be_taken_as_exact():
    _, u, one, _ = found({"net": 10, "moisture": {"share": "6 %", "u": 0}})
    assert u == 0.0
    assert "taken as exact" in one.notes[0]


def test_the_calibration_of_the_scale_cancels_from_a_pan():
    """Only the three readings' own rounding is left, however badly the scale is adjusted."""
    pan = {"pan": "0.1 kg", "pan_wet": "1.1 kg", "pan_dry": "1.0 kg", "scale": "s"}
    bad = {"resolution": "1 g", "checks": [{"nominal": "1 kg", "shown": "1.1 kg"}]}
    value, u, _, _ = found({"net": 10, "moisture": pan}, scales={"s": bad})
    r = 0.001 / np.sqrt(12)
    by_hand = r * np.sqrt((1 / 1.0) ** 2 + ((1.0 - 0.1) / 1.0**2) ** 2 + (0.1 / 1.0**2) ** 2)
    assert (value, u) == pytest.approx((0.1, by_hand))


def test_a_pan_on_an_unknown_scale_takes_the_step_from_the_figures():
    _, _, one, _ = found({"net": 10, "moisture": {"pan": 8.45, "pan_wet": 15.619, "pan_dry": 15.198}})
    assert "last digit, 1 g" in one.notes[0]


@pytest.mark.parametrize(
    ("shown", "unit", "step"),
    [((8.45, 15.619), "kg", 0.001), ((10.0, 3.0), "kg", 1.0), ((0.45359237,), "lb", 0.45359237)],
)
def test_the_step_is_that_of_the_last_decimal(shown, unit, step):
    assert shown_step_kg(shown, unit) == pytest.approx(step)


@pytest.mark.parametrize(("wet", "dry"), [(7.0, 5.0), (6.0, 6.5)])
def test_a_pan_that_gained_by_drying_is_refused(wet, dry):
    pan = {"pan": 6.0, "pan_wet": wet, "pan_dry": dry}
    with pytest.raises(ValidationError, match="check which is which"):
        found({"net": 10, "moisture": pan})
