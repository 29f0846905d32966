"""Limits of scales as standards publish them, and masses in other units."""

import pint
import pytest

from logger.balance.document import WeighUp
from logger.balance.inputs import Inputs, covariance, evaluate
from logger.balance.limits import beyond_class, nist_limit_kg, oiml_limit_kg
from logger.balance.masses import wet_mass

LB = 0.45359237


@pytest.mark.parametrize(
    ("load_kg", "limit_g"), [(0.0, 2.5), (2.5, 2.5), (2.505, 5), (10, 5), (10.005, 7.5), (15, 7.5)]
)
def test_a_scale_of_15_kg_by_5_g(load_kg, limit_g):
    """OIML R 76-1, table 6, class III: 2.5 kg ±2.5 g, 10 kg ±5 g, 15 kg ±7.5 g (seen); twice that in use."""
    assert oiml_limit_kg(load_kg, 0.005, "III", in_service=False) == pytest.approx(limit_g / 1000)
    assert oiml_limit_kg(load_kg, 0.005, "III") == pytest.approx(2 * limit_g / 1000)


@pytest.mark.parametrize(
    ("accuracy_class", "steps"),
    [
        ("I", (50_000, 200_000, None)),  # memory
        ("II", (5_000, 20_000, 100_000)),  # seen
        ("III", (500, 2_000, 10_000)),  # seen
        ("IIII", (50, 200, 1_000)),  # seen
    ],
)
def test_each_class_steps_up_where_the_table_does(accuracy_class, steps):
    """OIML R 76-1, table 6: 0.5 e, 1 e, 1.5 e, the load on a step belonging to the lower one."""
    low, middle, most = steps
    loads = (0, low, low + 1, middle, middle + 1)
    found = [oiml_limit_kg(load, 1.0, accuracy_class, in_service=False) for load in loads]
    assert found == [0.5, 0.5, 1.0, 1.0, 1.5]
    assert beyond_class(10**7, 1.0, accuracy_class) == (most is not None)
    assert not beyond_class(middle, 1.0, accuracy_class)


def test_a_load_on_the_step_is_on_it_whatever_its_binary_fraction():
    """500·0.1 kg: 50.00000000000001/0.1 must not count as the next step."""
    assert oiml_limit_kg(50.00000000000001, 0.1, "III", in_service=False) == pytest.approx(0.05)


@pytest.mark.parametrize(
    ("divisions", "tolerance"), [(500, 1), (501, 2), (2_000, 2), (2_001, 3), (4_000, 3), (4_001, 5)]
)
def test_maintenance_tolerances_of_handbook_44(divisions, tolerance):
    """NIST Handbook 44, 2.20, table 6, class III (last two steps seen, first two memory); acceptance half."""
    assert nist_limit_kg(divisions, 1.0) == tolerance
    assert nist_limit_kg(divisions, 1.0, maintenance=False) == tolerance / 2


def test_a_scale_of_500_lb_by_a_twentieth():
    """NIST Handbook 44: 150 lb are 3000 divisions of 0.05 lb: ±0.15 lb (seen)."""
    assert nist_limit_kg(150 * LB, 0.05 * LB) / LB == pytest.approx(0.15)


@pytest.mark.parametrize("call", [lambda: oiml_limit_kg(1, 0, "III"), lambda: nist_limit_kg(-1, 1)])
def test_a_load_or_interval_of_no_sense_is_refused(call):
    with pytest.raises(ValueError, match="must"):
        call()


@pytest.mark.parametrize(("unit", "pints"), [("lb", "pound"), ("g", "gram"), ("oz", "ounce"), ("t", "tonne")])
def test_masses_in_any_unit_are_the_same_masses(unit, pints):
    """Values and covariance in kg do not depend on the unit they were written in; conversion by `pint`."""

    def balance(text):
        scale = {"resolution": text(0.005), "checks": [{"nominal": text(10), "shown": text(10.002)}]}
        stream = {"containers": [{"gross": text(6.2), "tare": text(1.0), "scale": "s"}]}
        document = WeighUp.model_validate({"scales": {"s": scale}, "streams": {"a": stream}})
        inputs = Inputs()
        term = wet_mass("a", document.streams["a"], document, inputs).term
        return float(evaluate([term], inputs.values)[0]), float(covariance([term], inputs)[0, 0])

    registry = pint.UnitRegistry()

    def written(kg):
        return f"{registry.Quantity(kg, 'kilogram').to(pints).magnitude:.12f} {unit}"

    assert balance(written) == pytest.approx(balance(lambda kg: kg), rel=1e-7)
