"""Propagation of uncertainty through terms of independent inputs, against published examples and an oracle.

Sources stand beside each check, with whether they were seen or are from memory. The oracle is the package
`uncertainties`, which differentiates in a way of its own.
"""

from math import sqrt

import numpy as np
import pytest
import uncertainties
from hypothesis import given
from hypothesis import strategies as st

from logger.balance.document import WeighUp
from logger.balance.inputs import Input, Inputs, covariance, evaluate
from logger.balance.masses import wet_mass
from logger.balance.moisture import moisture


def told(term, inputs):
    """Value and standard uncertainty."""
    return float(evaluate([term], inputs.values)[0]), sqrt(covariance([term], inputs)[0, 0])


def test_a_calibration_standard():
    """Eurachem/CITAC Guide CG 4, example A1: 1002.7 mg/L, u 0.86370 (inputs seen, result recomputed)."""
    inputs = Inputs()
    m = inputs.add(Input("mass, mg", 100.28, 0.05))
    purity = inputs.add(Input("purity", 0.9999, 0.000058))
    volume = inputs.add(Input("volume, mL", 100.0, 0.07))
    found = told(lambda z: 1000 * m(z) * purity(z) / volume(z), inputs)
    assert found == pytest.approx((1002.69972, 0.86370), abs=1e-4)


def test_the_components_of_an_end_gauge():
    """JCGM 100, H.1.4: 25, 9.7, 2.9 and 16.6 nm make 31.7 (rounded up to 32 there; seen, recomputed)."""
    inputs = Inputs()
    parts = [inputs.add(Input(f"part {k}", 0.0, u)) for k, u in enumerate((25.0, 9.7, 2.9, 16.6))]
    assert told(lambda z: sum(part(z) for part in parts), inputs)[1] == pytest.approx(31.7, abs=0.05)


V = (5.007, 4.994, 5.005, 4.990, 4.999)
I_MA = (19.663, 19.639, 19.640, 19.685, 19.678)
PHI = (1.0456, 1.0438, 1.0468, 1.0428, 1.0433)


def test_figures_that_share_inputs_are_correlated_as_in_the_textbook_case():
    """JCGM 100, H.2: resistance, reactance and impedance from five sets of simultaneous readings.

    Each set is an input of its own, by which all its readings deviate; nothing is said of correlation.
    Readings and results from memory (tables H.2 to H.4), the results also recomputed.
    """
    inputs = Inputs()
    sets = [inputs.add(Input(f"set {k}", 0.0, 1.0)) for k in range(5)]

    def mean_of(values):
        mean = sum(values) / 5
        by_set = [(value - mean) / sqrt(5 * 4) for value in values]
        return lambda z: mean + sum(d * one(z) for d, one in zip(by_set, sets, strict=True))

    volt, amp, phase = mean_of(V), mean_of([each / 1000 for each in I_MA]), mean_of(PHI)
    terms = [
        lambda z: volt(z) / amp(z) * np.cos(phase(z)),
        lambda z: volt(z) / amp(z) * np.sin(phase(z)),
        lambda z: volt(z) / amp(z),
    ]
    v = covariance(terms, inputs)
    u = np.sqrt(np.diag(v))
    assert evaluate(terms, inputs.values) == pytest.approx([127.732, 219.847, 254.260], abs=6e-4)
    assert u == pytest.approx([0.071, 0.295, 0.236], abs=6e-4)
    r = v / np.outer(u, u)
    assert (r[0, 1], r[0, 2], r[1, 2]) == pytest.approx((-0.588, -0.485, 0.993), abs=6e-4)


@pytest.mark.parametrize(("shape", "half_width"), [("rectangular", sqrt(3)), ("triangular", sqrt(6))])
def test_a_half_width_a_has_the_uncertainty_of_its_shape(shape, half_width):
    """a/√3 and a/√6 (JCGM 100, 4.3.7 and 4.3.9; memory, algebra): no draw lies beyond a."""
    inputs = Inputs()
    inputs.add(Input("x", 10.0, 1.0 / half_width, shape))
    drawn = inputs.draw(100_000)
    assert np.abs(drawn - 10.0).max() == pytest.approx(1.0, abs=0.01)
    assert drawn.std() == pytest.approx(1.0 / half_width, rel=0.01)


def test_a_net_of_two_readings_has_the_step_over_the_root_of_six():
    """d/√6 (memory; algebra)."""
    scale = {"resolution": 0.006, "checks": [{"nominal": 90_000, "shown": 90_000}]}
    stream = {"containers": [{"gross": 5, "tare": 1, "scale": "s"}]}
    document = WeighUp.model_validate({"scales": {"s": scale}, "streams": {"a": stream}})
    inputs = Inputs()
    found = wet_mass("a", document.streams["a"], document, inputs)
    assert told(found.term, inputs)[1] == pytest.approx(0.006 / sqrt(6), rel=1e-6)


@given(*(st.floats(0.5, 100) for _ in range(2)), *(st.floats(0.001, 0.2) for _ in range(2)))
def test_a_quotient_has_the_root_of_the_relative_squares(a, b, ra, rb):
    """(u_R/R)² = (u_a/a)² + (u_b/b)² (JCGM 100, 5.1.6)."""
    inputs = Inputs()
    upper, lower = inputs.add(Input("a", a, ra * a)), inputs.add(Input("b", b, rb * b))
    value, u = told(lambda z: upper(z) / lower(z), inputs)
    assert (u / value) ** 2 == pytest.approx(ra**2 + rb**2)


def test_a_share_of_a_sum():
    """u² = [(1-p)²u_i² + p²u_rest²]/M² (algebra)."""
    inputs = Inputs()
    one, rest = inputs.add(Input("one", 3.0, 0.1)), inputs.add(Input("rest", 9.0, 0.2))
    value, u = told(lambda z: one(z) / (one(z) + rest(z)), inputs)
    assert (value, u) == pytest.approx((0.25, sqrt(0.75**2 * 0.01 + 0.25**2 * 0.04) / 12))


def test_dry_masses_of_one_scale_against_an_independent_oracle():
    """Two streams, a shared kind of pail, a shared scale, two moistures: covariance by `uncertainties`."""
    check = {"nominal": 10, "shown": 10.01, "u_nominal": 0.002}
    document = WeighUp.model_validate(
        {
            "scales": {"s": {"resolution": 0.005, "repeatability": 0.003, "checks": [check]}},
            "tares": {"pail": {"mass": 1.02, "u": 0.015}},
            "streams": {
                "a": {
                    "containers": [{"gross": 6.1, "tare": "pail"}, {"gross": 5.2, "tare": 0.9}],
                    "scale": "s",
                    "moisture": {"share": 0.08, "u": 0.01},
                },
                "b": {
                    "containers": [{"gross": 9.1, "tare": "pail"}],
                    "scale": "s",
                    "moisture": {"share": 0.2, "u": 0.02, "basis": "dry"},
                },
            },
        }
    )
    inputs, terms = Inputs(), []
    for name, stream in document.streams.items():
        wet = wet_mass(name, stream, document, inputs).term
        water = moisture(name, stream, document, inputs).term
        terms.append(lambda z, wet=wet, water=water: wet(z) * (1 - water(z)))
    reading = sqrt(0.005**2 / 12 + 0.003**2)
    scale = uncertainties.ufloat(1, sqrt(0.001**2 + (reading / 10) ** 2 + 0.0002**2))
    pail = uncertainties.ufloat(1.02, sqrt(reading**2 + 0.015**2))
    read, own = (lambda x: uncertainties.ufloat(x, reading)), (lambda: uncertainties.ufloat(0, 0.015))
    water_b = uncertainties.ufloat(0.2, 0.02)
    a = (read(6.1) - pail - own() + read(5.2) - read(0.9)) * scale * (1 - uncertainties.ufloat(0.08, 0.01))
    b = (read(9.1) - pail - own()) * scale * (1 - water_b / (1 + water_b))
    assert evaluate(terms, inputs.values) == pytest.approx([a.nominal_value, b.nominal_value])
    assert covariance(terms, inputs) == pytest.approx(np.array(uncertainties.covariance_matrix([a, b])))
