"""Published product grades and the rule of decision, against their figures.

Figures of the ReMA/ISRI scrap specifications: seen at second hand, in summaries of public sources (Birch and
Cliff in public copies of the notice of March 2017). The rule of decision: JCGM 106, from memory; its figures
recomputed with scipy.
"""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest
from scipy import stats

from logger.balance.conformity import at_least, verdict
from logger.balance.grades import Grade, read_grades
from logger.balance.verdict import judge
from tests.balance.joints import product

GRADES = read_grades(tomllib.loads((Path(__file__).parents[2] / "config" / "grades.toml").read_text("utf-8")))


@pytest.mark.parametrize(
    ("name", "minimum", "maximum"),
    [
        ("clove", {"Cu": 0.99}, {}),
        ("cobra", {"Cu": 0.97}, {"Al": 0.005}),
        ("birch", {"Cu": 0.94}, {}),
        ("cliff", {"Cu": 0.94}, {}),
        ("drink", {"Cu": 0.613}, {"Fe": 0.05}),
        ("engel", {"Cu": 0.75, "Sn": 0.06, "Pb": 0.06}, {"Pb": 0.11}),
        ("erin", {"Cu": 0.75, "Sn": 0.06, "Pb": 0.06}, {"Pb": 0.11}),
        ("nomad", {}, {"free iron": 0.03}),
    ],
)
def test_published_limits_are_as_published(name, minimum, maximum):
    assert (GRADES[name].minimum, GRADES[name].maximum) == (minimum, maximum)


def test_the_limits_on_all_else_are_as_published():
    """Cobra: each other at most 1 %; Engel and Erin: others at most 0.75 %; Nomad: moisture at most 3 %."""
    assert GRADES["cobra"].each_other == 0.01
    assert (GRADES["engel"].others, GRADES["erin"].others) == (0.0075, 0.0075)
    assert GRADES["nomad"].moisture == 0.03


@pytest.mark.parametrize(
    ("copper", "expected"), [(0.97, "meets"), (0.9700001, "meets"), (0.9699, "fails"), (0.99, "meets")]
)
def test_97_00_passes_cobra_and_96_99_fails(copper, expected):
    rest = (1.0 - copper) / 4
    grades = {"Cu": copper, "Al": 0.004, "Zn": rest, "Sn": rest, "Pb": rest, "Fe": rest - 0.004}
    judged = judge("cobra", GRADES["cobra"], "nodules", product({c: (g, 0.0) for c, g in grades.items()}))
    assert judged.verdict == expected


@pytest.mark.parametrize(
    ("value", "u"), [(0.973, 0.002), (0.975, 0.002), (0.9668, 0.002), (0.966, 0.002), (0.97, 0.001)]
)
def test_the_probability_of_conformity_is_that_of_the_normal_distribution(value, u):
    """JCGM 106 (memory): P(Y >= T_L) = 1 - Φ((T_L - y)/u); far from 0 and 1 nothing is cut off."""
    assert at_least(value, u, 0.97) == pytest.approx(stats.norm.sf(0.97, value, u), abs=1e-12)


def test_the_guard_band_is_1_645_u_on_either_side():
    """95 % one-sided: the acceptance limit is T_L + 1.645 u (JCGM 106, memory)."""
    guard = 1.6448536 * 0.002
    found = [str(verdict(at_least(0.9 + d, 0.002, 0.9))) for d in (guard + 1e-6, guard - 1e-6)]
    found += [str(verdict(at_least(0.9 - d, 0.002, 0.9))) for d in (guard - 1e-6, guard + 1e-6)]
    assert found == ["meets", "can't tell", "can't tell", "fails"]


def test_a_zener_diodes_breakdown_voltage():
    """JCGM 106's example (memory): -5.47 V, u 0.05 V, limit -5.40 V at most: conforms with 92 %."""
    assert at_least(0.547, 0.005, 0.540) == pytest.approx(0.919, abs=0.0005)


def test_an_interval_that_straddles_the_limit_is_inconclusive():
    grade = Grade(source="x", seen="invented", minimum={"Cu": 0.97})
    judged = judge("x", grade, "nodules", product({"Cu": (0.971, 0.002), "Zn": (0.029, 0.002)}))
    assert judged.verdict == "can't tell"
