"""Wet and dry basis, pans, and grades per dry mass (section 9 of common texts: form seen, recomputed)."""

import pytest

from logger.balance.composition import composition
from logger.balance.document import WeighUp
from logger.balance.inputs import Inputs, evaluate
from logger.balance.masses import wet_mass
from logger.balance.moisture import moisture


def value(term, inputs):
    return float(evaluate([term], inputs.values)[0])


@pytest.mark.parametrize(("wet", "dry"), [(0.12, 0.136364), (0.20, 0.25), (0.058725, 0.062389)])
def test_a_moisture_on_the_dry_basis_is_that_on_the_wet_one(wet, dry):
    """12 % ↔ 13.6364 %, 20 % ↔ 25 %; 7.169 g wet with 0.421 g of water either way (form seen, recomputed)."""
    for share, basis in ((wet, "wet"), (dry, "dry")):
        said = {"share": share, "basis": basis, "u": "0.1 %"}
        document = WeighUp.model_validate({"streams": {"a": {"net": 1, "moisture": said}}})
        inputs = Inputs()
        found = value(moisture("a", document.streams["a"], document, inputs).term, inputs)
        assert found == pytest.approx(wet, abs=1e-6)


def test_ten_kilograms_at_twelve_percent():
    """10.000 kg wet at 12 % are 8.800 kg dry; a grade per wet mass / 0.88 is per dry (recomputed)."""
    stream = {
        "net": "10 kg",
        "u": "5 g",
        "moisture": {"share": "12 %", "u": "0.5 %"},
        "compositions": [{"assay": {"bronze": "44 %"}, "u": "1 %", "basis": "wet"}],
    }
    document = WeighUp.model_validate({"components": ["bronze"], "complete": False, "streams": {"a": stream}})
    inputs, one = Inputs(), document.streams["a"]
    wet = value(wet_mass("a", one, document, inputs).term, inputs)
    water = value(moisture("a", one, document, inputs).term, inputs)
    grade = value(composition("a", one, document, inputs)["bronze"].term, inputs)
    assert wet * (1 - water) == pytest.approx(8.8)
    assert grade == pytest.approx(0.5)


def test_a_pan():
    """Pan 8.45, with wet sample 15.619, with dried 15.198: 5.8725 % of the wet mass, 6.2389 % of the dry
    (form seen, recomputed)."""
    pan = {"pan": "8.45 g", "pan_wet": "15.619 g", "pan_dry": "15.198 g"}
    document = WeighUp.model_validate({"streams": {"a": {"net": 1, "moisture": pan}}})
    inputs = Inputs()
    found = value(moisture("a", document.streams["a"], document, inputs).term, inputs)
    assert found == pytest.approx(0.058725, abs=5e-7)
    assert found / (1 - found) == pytest.approx(0.062389, abs=5e-7)
